//! CSV files: a header, then one line a row; lines from `#` are comments.

use super::WeatherError;
use super::mapping::{Column, Mapping, Zone};
use super::series::{About, Series, Values, Weather};
use super::text::{Cell, Line, Text};
use crate::note::{Note, Source};
use chrono::{DateTime, LocalResult, NaiveDateTime, TimeZone};
use leeside_core::time::{HOUR, LocalKind, Wall, to_utc};
use std::path::Path;

pub(super) fn read(path: &Path, text: &Text) -> Result<Weather, WeatherError> {
    let beside = Mapping::beside(path);
    let described = beside.as_deref().map(Mapping::read).transpose()?;
    parse(text, described)
}

/// Reads the text of a CSV file, by its header where there is no description.
pub(super) fn parse(text: &Text, described: Option<Mapping>) -> Result<Weather, WeatherError> {
    let mut lines = text.lines().filter(|line| !line.text.trim().is_empty());
    let mut comment = None;
    let header = loop {
        let Some(line) = lines.next() else {
            return Err(form(text, "it is empty"));
        };
        match line.text.strip_prefix('#') {
            Some(words) => comment = comment.or_else(|| Some(words.trim().to_owned())),
            None => break line,
        }
    };
    let mut cells = Vec::new();
    header.cells(&mut cells)?;
    let headings: Vec<String> = cells.iter().map(|cell| cell.text.to_string()).collect();
    let mapping = described
        .or_else(|| Mapping::by_header(&headings))
        .ok_or_else(|| {
            form(
                text,
                "its form is not known: not TMY3, not EPW, and its header does not explain itself",
            )
        })?;
    let places = Places::find(&mapping, &headings, header)?;
    let mut reader = Reader {
        mapping: &mapping,
        places,
        notes: Notes::default(),
        last: None,
    };
    let mut starts = Vec::new();
    for line in lines.filter(|line| !line.text.starts_with('#')) {
        line.cells(&mut cells)?;
        starts.push(reader.row(line, &cells)?);
    }
    if starts.is_empty() {
        return Err(form(text, "it has no rows"));
    }
    let notes = reader.notes;
    let resolution_ms = mapping
        .step_ms
        .unwrap_or_else(|| Series::commonest_step(&starts));
    if resolution_ms > HOUR {
        return Err(form(text, "its rows are more than an hour apart"));
    }
    for (start, values) in &mut starts {
        if mapping.label_is_end {
            *start = start.plus(-resolution_ms);
        }
        sums_to_rates(&mapping.columns, values, resolution_ms);
    }
    let mut about = About {
        file: text.name.clone(),
        sha256: text.sha256.clone(),
        source: Box::new(
            mapping
                .source
                .clone()
                .or(comment)
                .map_or_else(|| Source::Csv(text.name.clone()), Source::Named),
        ),
        place: None,
        gusts: None,
        resolution_ms,
        notes: vec![mapping.note(resolution_ms)],
    };
    about.notes.extend(notes.told());
    Ok(Weather::Real(Series::of(about, starts)))
}

fn form(text: &Text, found: &str) -> WeatherError {
    WeatherError::Form {
        file: text.name.clone(),
        found: found.to_owned(),
        hint: format!(
            "name a CSV file's columns utc, mean_ms, gust_ms, wind_dir_deg, precip_mm, temp_C, humidity_pct, \
             pressure_hPa, ghi_wm2, dni_wm2, dhi_wm2, or lay {}.toml beside it that says what its columns mean",
            text.name
        ),
    }
}

/// A sum over a row becomes an intensity.
fn sums_to_rates(columns: &[Column], values: &mut Values, resolution_ms: i64) {
    let rows_an_hour = i32::try_from(HOUR / resolution_ms.max(1)).map_or(1.0, f64::from);
    for column in columns.iter().filter(|column| column.unit.sum) {
        let rate = values.get(column.quantity).map(|sum| sum * rows_an_hour);
        values.set(column.quantity, rate);
    }
}

/// Where the mapping's columns stand.
struct Places {
    time: usize,
    columns: Vec<usize>,
}

impl Places {
    fn find(
        mapping: &Mapping,
        headings: &[String],
        header: Line<'_>,
    ) -> Result<Self, WeatherError> {
        let place = |name: &str| {
            headings
                .iter()
                .position(|heading| heading == name)
                .ok_or_else(|| {
                    header.broken(
                        format!("there is no column {name:?}"),
                        format!("one of {}", headings.join(", ")),
                    )
                })
        };
        let columns = mapping
            .columns
            .iter()
            .map(|column| place(&column.name))
            .collect::<Result<_, _>>()?;
        Ok(Self {
            time: place(&mapping.time_column)?,
            columns,
        })
    }
}

struct Reader<'a> {
    mapping: &'a Mapping,
    places: Places,
    notes: Notes,
    last: Option<Wall>,
}

/// What happened on the way, counted.
#[derive(Default)]
struct Notes {
    in_a_gap: usize,
    repeated: usize,
}

impl Notes {
    /// What there is to say of it.
    fn told(&self) -> impl Iterator<Item = Note> {
        let in_a_gap = (self.in_a_gap > 0).then_some(Note::TimesInGap(self.in_a_gap));
        let repeated = (self.repeated > 0).then_some(Note::TimesTwice(self.repeated));
        in_a_gap.into_iter().chain(repeated)
    }
}

impl Reader<'_> {
    fn row(&mut self, line: Line<'_>, cells: &[Cell<'_>]) -> Result<(Wall, Values), WeatherError> {
        let time = line.cell(cells, self.places.time, &self.mapping.time_column)?;
        let at = self.moment(line, time)?;
        if self.last.is_some_and(|last| at <= last) {
            return Err(line.broken_cell(
                time,
                &self.mapping.time_column,
                "a time after that of the row before",
            ));
        }
        self.last = Some(at);
        let mut values = Values::default();
        for (column, index) in self.mapping.columns.iter().zip(&self.places.columns) {
            let cell = line.cell(cells, *index, &column.name)?;
            let missing =
                cell.text.is_empty() || self.mapping.missing.iter().any(|word| *word == cell.text);
            if !missing {
                let value = line.number(cell, &column.name, column.unit.name)?;
                values.set(column.quantity, Some(column.unit.to_ours(value)));
            }
        }
        Ok((at, values))
    }

    fn moment(&mut self, line: Line<'_>, cell: &Cell<'_>) -> Result<Wall, WeatherError> {
        if let Ok(at) = DateTime::parse_from_rfc3339(&cell.text) {
            return Ok(Wall::from_utc(at.to_utc()));
        }
        let forms = [
            "%Y-%m-%dT%H:%M:%S%.f",
            "%Y-%m-%d %H:%M:%S%.f",
            "%Y-%m-%dT%H:%M",
            "%Y-%m-%d %H:%M",
        ];
        let local = forms
            .iter()
            .find_map(|form| NaiveDateTime::parse_from_str(&cell.text, form).ok());
        let Some(local) = local else {
            return Err(line.broken_cell(
                cell,
                &self.mapping.time_column,
                "a time like 2024-07-31T14:00:00Z or 2024-07-31 14:00",
            ));
        };
        Ok(match self.mapping.zone {
            Zone::Fixed(offset) => {
                let utc = offset
                    .from_local_datetime(&local)
                    .single()
                    .map(|at| at.to_utc());
                Wall::from_utc(utc.unwrap_or_else(|| local.and_utc()))
            }
            Zone::Named(zone) => self.local_moment(zone, local),
        })
    }

    /// A local time; of one that exists twice the later where the earlier has
    /// already been.
    fn local_moment(&mut self, zone: chrono_tz::Tz, local: NaiveDateTime) -> Wall {
        let reading = to_utc(zone, local);
        let first = Wall::from_utc(reading.utc);
        match reading.kind {
            LocalKind::Unique => first,
            LocalKind::Gap => {
                self.notes.in_a_gap += 1;
                first
            }
            LocalKind::Overlap => {
                self.notes.repeated += 1;
                match zone.from_local_datetime(&local) {
                    LocalResult::Ambiguous(a, b) if self.last.is_some_and(|last| last >= first) => {
                        Wall::from_utc(a.to_utc().max(b.to_utc()))
                    }
                    LocalResult::Ambiguous(..) | LocalResult::Single(_) | LocalResult::None => {
                        first
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::super::series::{Quantity, moment};
    use super::*;

    fn read(body: &str) -> Result<Series, WeatherError> {
        let text = Text::of("roof.csv".to_owned(), body.as_bytes()).unwrap();
        match parse(&text, None)? {
            Weather::Real(series) => Ok(series),
            Weather::Typical(_) | Weather::MadeUp(_) => panic!("a CSV file is of real dates"),
        }
    }

    #[test]
    fn rows_hold_until_the_next_or_for_their_step() {
        let series = read(
            "# made up for this test\nutc,gust_ms,mean_ms,other\n2024-01-01T00:00:00Z,,3,x\n\
             2024-01-01T00:10:00Z,7.5,4,y\n2024-01-01T00:40:00Z,,,\n2024-01-01T00:50:00Z,1,1,\n",
        )
        .unwrap();
        assert_eq!(series.about.source.to_string(), "made up for this test");
        assert_eq!(series.about.resolution_ms, 600_000);
        let rows: Vec<(String, String, Option<f64>, Option<f64>)> = series
            .rows
            .iter()
            .map(|r| (moment(r.start), moment(r.end), r.values.mean, r.values.gust))
            .collect();
        let row = |from: &str, to: &str, mean, gust| {
            (
                format!("2024-01-01T00:{from}:00Z"),
                format!("2024-01-01T{to}:00Z"),
                mean,
                gust,
            )
        };
        assert_eq!(
            rows,
            [
                row("00", "00:10", Some(3.0), None),
                row("10", "00:20", Some(4.0), Some(7.5)),
                row("40", "00:50", None, None),
                row("50", "01:00", Some(1.0), Some(1.0)),
            ]
        );
        let gaps: Vec<(String, String)> = series
            .gaps()
            .iter()
            .map(|g| (moment(g.from), moment(g.to)))
            .collect();
        assert_eq!(
            gaps,
            [(
                "2024-01-01T00:20:00Z".to_owned(),
                "2024-01-01T00:40:00Z".to_owned()
            )]
        );
        assert!(series.speaks_of(Quantity::Gust) && !series.speaks_of(Quantity::Rain));
    }

    #[test]
    fn broken_rows_are_named_by_line_and_column() {
        let head = "utc,mean_ms,gust_ms\n2024-01-01T00:00:00Z,3,4\n";
        let table = [
            (
                "2024-01-01T01:00:00Z,abc,4\n",
                "roof.csv:3:22: mean_ms: found \"abc\", expected a number in m/s",
            ),
            (
                "2024-01-01T01:00:00Z,1,inf\n",
                "roof.csv:3:24: gust_ms: found \"inf\", expected a number in m/s",
            ),
            (
                "2024-13-01T01:00:00Z,1,2\n",
                "roof.csv:3:1: utc: found \"2024-13-01T01:00:00Z\", expected a time like",
            ),
            (
                "2024-01-01T00:00:00Z,1,2\n",
                "expected a time after that of the row before",
            ),
            (
                "2024-01-01T01:00:00Z,1\n",
                "roof.csv:3: the line has only 2 cells; expected at least 3",
            ),
            (
                "2024-01-01T01:00:00Z,\"1,2\n",
                "roof.csv:3: a quote is opened and not closed",
            ),
        ];
        for (row, complaint) in table {
            let error = read(&format!("{head}{row}")).unwrap_err().to_string();
            assert!(error.contains(complaint), "{error}");
            assert!(error.contains("nothing of the file was used"), "{error}");
        }
        let error = read("time,wind\n1,2\n").unwrap_err().to_string();
        assert!(
            error.contains("its form is not known") && error.contains("roof.csv.toml"),
            "{error}"
        );
    }

    #[test]
    fn local_times_go_through_both_clock_changes() {
        // Clocks in New York: 2013-03-10 02:00 EST -> 03:00 EDT, 2013-11-03 02:00 EDT -> 01:00 EST.
        let toml = "[time]\ncolumn = \"t\"\nzone = \"America/New_York\"\nlabel = \"end\"\nstep = \"1h\"\n\
                    [columns.rain]\ncolumn = \"r\"\nunit = \"mm\"\n";
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("local.csv");
        std::fs::write(folder.path().join("local.csv.toml"), toml).unwrap();
        let rows = "t,r\n2013-03-10 01:00,0\n2013-03-10 02:30,2\n2013-03-10 04:00,0\n\
                    2013-11-03 01:00,1\n2013-11-03 01:00,1\n2013-11-03 02:00,1\n";
        std::fs::write(&path, rows).unwrap();
        let Weather::Real(series) = super::super::read(&path).unwrap() else {
            panic!("real dates")
        };
        let ends: Vec<String> = series
            .rows
            .iter()
            .map(|row| moment(row.start.plus(HOUR)))
            .collect();
        assert_eq!(
            ends,
            [
                "2013-03-10T06:00:00Z",
                "2013-03-10T07:30:00Z",
                "2013-03-10T08:00:00Z",
                "2013-11-03T05:00:00Z",
                "2013-11-03T06:00:00Z",
                "2013-11-03T07:00:00Z",
            ]
        );
        let notes: Vec<String> = series.about.notes.iter().map(ToString::to_string).collect();
        let notes = notes.join("\n");
        assert!(
            notes.contains("1 rows carry a local time that does not exist"),
            "{notes}"
        );
        assert!(
            notes.contains("2 rows carry a local time that exists twice"),
            "{notes}"
        );
    }
}
