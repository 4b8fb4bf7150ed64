//! The tables: by month, by group, light and view, storms, and how to read them.

use super::Page;
use super::parts::{
    NONE, bar, dotted, grouped, one_place, percent, rounded, table, whole_hours, word_key,
};
use super::storm::strongest;
use super::year::{EVERY_MS, GroupYear, SUNSHINE_WM2};
use crate::plot::escaped;
use crate::replay::GroupMonth;
use chrono::{Datelike, NaiveDate};
use leeside_core::ids::GroupId;
use leeside_core::model::{Group, Kind, Model};
use leeside_core::output::Word;
use leeside_core::time::{HOUR, MINUTE, Wall};
use leeside_solar::light::Glazing;
use std::fmt::Write as _;

const DAY: i64 = 24 * HOUR;
/// Storms told at most.
const MOST_STORMS: usize = 30;
/// Solar transmittance of the glazing behind, which no site file says (common
/// practice for double glazing with a coating, no source).
const GLAZING_G: f64 = 0.6;
/// Thermal transmittance of such glazing, W/(m²·K); only for the example of a
/// g_total in the notes (common practice, no source).
const GLAZING_U: f64 = 1.1;
/// Cloth of that example: solar transmittance and reflectance.
const CLOTH: (f64, f64) = (0.1, 0.5);

/// Whether devices of a kind stand before the opening.
pub(super) const fn stands_before(kind: Kind) -> bool {
    match kind {
        Kind::SlatBlind | Kind::RollerShutter | Kind::Screen => true,
        Kind::Awning => false,
    }
}

fn sum<'a>(of: impl IntoIterator<Item = &'a GroupMonth>) -> GroupMonth {
    of.into_iter()
        .fold(GroupMonth::default(), |mut sum, group| {
            sum.add(group);
            sum
        })
}

/// The words that decided a movement, in order of precedence.
fn words(page: &Page<'_>) -> Vec<(usize, Word)> {
    let all = sum(page.tally.months.iter().flat_map(|month| &month.groups));
    Word::ALL
        .into_iter()
        .enumerate()
        .filter(|(index, _)| all.movements[*index] > 0)
        .collect()
}

/// Movements by month and word, with the busiest day.
pub(super) fn months(out: &mut String, page: &Page<'_>) {
    let words = words(page);
    let months: Vec<GroupMonth> = page
        .tally
        .months
        .iter()
        .map(|month| sum(&month.groups))
        .collect();
    let most = months.iter().map(GroupMonth::moved).max().unwrap_or(0);
    let mut heads = vec!["month".to_owned(), "all".to_owned()];
    heads.extend(words.iter().map(|(_, word)| word.as_str().to_owned()));
    heads.extend([
        "".to_owned(),
        "locked h".to_owned(),
        "busiest day".to_owned(),
    ]);
    let bars = heads.len() - 3;
    let rows = page.tally.months.iter().zip(&months).map(|(month, all)| {
        let name = NaiveDate::from_ymd_opt(month.year, month.month, 1);
        let name = name.map_or_else(String::new, |date| date.format("%B %Y").to_string());
        let parts: Vec<(Word, u32)> = words
            .iter()
            .map(|(index, word)| (*word, all.movements[*index]))
            .collect();
        let busiest = month.busiest.as_ref().map_or_else(
            || NONE.to_owned(),
            |day| format!("{}: {}", day.date.format("%a %-d"), day.movements),
        );
        let mut cells = vec![name, dotted(all.moved().into())];
        cells.extend(parts.iter().map(|(_, count)| dotted((*count).into())));
        cells.extend([
            bar(&parts, most),
            whole_hours(super::year::hours(all.locked_ms)),
            busiest,
        ]);
        cells
    });
    let rows: Vec<Vec<String>> = rows.collect();
    let all = sum(&months);
    let mut total = vec!["all".to_owned(), dotted(all.moved().into())];
    total.extend(
        words
            .iter()
            .map(|(index, _)| dotted(all.movements[*index].into())),
    );
    let busiest = page.tally.busiest().map_or_else(String::new, |day| {
        format!("{}: {}", day.date.format("%a %-d %b"), day.movements)
    });
    total.extend([
        String::new(),
        whole_hours(super::year::hours(all.locked_ms)),
        busiest,
    ]);
    let key: Vec<(Word, f64)> = words
        .iter()
        .map(|(index, word)| {
            (
                *word,
                f64::from(all.movements[*index]) / f64::from(all.moved().max(1)),
            )
        })
        .collect();
    out.push_str("<section id=\"months\">\n<h2>The year by month</h2>\n<p class=\"sub\">Movements of groups by what decided them; one movement is one command to one group. Locked: hours of all groups together.</p>\n");
    out.push_str(&table(&heads, &[bars, bars + 2], &rows, Some(&total)));
    out.push_str(&word_key(&key));
    alarms(out, page);
    out.push_str("</section>\n");
}

fn alarms(out: &mut String, page: &Page<'_>) {
    let told = page.tally.alarms.iter().map(|(word, count)| {
        let word = leeside_core::say::alarm_words(*word);
        format!("{} ({})", escaped(word), grouped((*count).into()))
    });
    let told: Vec<String> = told.collect();
    let told = if told.is_empty() {
        "none".to_owned()
    } else {
        told.join(", ")
    };
    let _ = writeln!(
        out,
        "<p class=\"notes\" style=\"padding:0\">Alarms raised in the run: {told}.</p>"
    );
}

/// Movements of each group, and what they wear.
pub(super) fn movements(out: &mut String, page: &Page<'_>) {
    let words = words(page);
    let days = u32::try_from(page.year.days).map_or(1.0, f64::from);
    let mut heads: Vec<String> = ["group", "devices", "all"].map(str::to_owned).to_vec();
    heads.extend(words.iter().map(|(_, word)| word.as_str().to_owned()));
    heads.extend(
        [
            "a day",
            "lockouts",
            "cycles",
            "tilts",
            "of class",
            "years to it",
        ]
        .map(str::to_owned),
    );
    let rows = page.model.groups.iter().enumerate().map(|(index, group)| {
        let of = page.tally.group(GroupId::of(index));
        let mut cells = vec![
            escaped(&group.name),
            group.devices.len().to_string(),
            dotted(of.moved().into()),
        ];
        cells.extend(
            words
                .iter()
                .map(|(index, _)| dotted(of.movements[*index].into())),
        );
        cells.push(one_place(f64::from(of.moved()) / days));
        cells.push(dotted(
            of.lockouts.iter().map(|count| u64::from(*count)).sum(),
        ));
        cells.extend(wear(page, group, days));
        cells
    });
    out.push_str("<section id=\"groups\" class=\"on\">\n<h2>The year by group</h2>\n<p class=\"sub\">Movements by what decided them, and the wear of the most travelled device.</p>\n");
    out.push_str(&table(&heads, &[], &rows.collect::<Vec<_>>(), None));
    notes(
        out,
        &[
            "cycles: way travelled by the most travelled device of the group, in full ways out and back".to_owned(),
            "tilts: starts of that device that only turned its slats".to_owned(),
            "of class: the endurance cycles that the site file gives for the product (maker's class of EN 14201); years to it: at \
             the pace of this run, extension only. A class is a test result, not a promise of life"
                .to_owned(),
            "aim and alarm for full ways a day in the trade: at most 4, more than 8 to 10 (common practice, no source)".to_owned(),
        ],
    );
    out.push_str("</section>\n");
}

/// Cycles, tilts, endurance class and years to it.
fn wear(page: &Page<'_>, group: &Group, days: f64) -> [String; 4] {
    let worn = group
        .devices
        .iter()
        .map(|device| (*device, &page.year.devices[device.index()]));
    let Some((device, worn)) = worn.max_by_key(|(_, worn)| (worn.way_pct, worn.tilts)) else {
        return [NONE, NONE, NONE, NONE].map(str::to_owned);
    };
    let way = u32::try_from(worn.way_pct).map_or(f64::MAX, f64::from);
    let cycles = way / 200.0;
    let class = page.model.product_of(device).endurance_cycles;
    let years = class
        .filter(|_| cycles > 0.0)
        .map(|class| f64::from(class) / (cycles / days * 365.25));
    [
        if worn.way_pct == 0 {
            NONE.to_owned()
        } else {
            one_place(cycles)
        },
        dotted(worn.tilts.into()),
        class.map_or_else(|| "–".to_owned(), |class| grouped(class.into())),
        years.map_or_else(
            || "–".to_owned(),
            |years| {
                if years >= 100.0 {
                    "&gt;\u{202F}100".to_owned()
                } else {
                    rounded(years)
                }
            },
        ),
    ]
}

/// What the light did.
pub(super) fn light(out: &mut String, page: &Page<'_>) {
    let heads = [
        "group",
        "glass m²",
        "sun on it h",
        "let in h",
        "kept out h",
        "kept out",
        "view out h",
        "of daylight",
        "lost to wind h",
        "lost to rain, frost h",
        "gain kWh",
        "unshaded kWh",
    ];
    let heads: Vec<String> = heads.map(str::to_owned).to_vec();
    let rows = page
        .model
        .groups
        .iter()
        .zip(&page.year.groups)
        .map(|(group, of)| {
            let area = glass(page.model, group);
            let mut cells = vec![
                escaped(&group.name),
                area.map_or_else(|| "–".to_owned(), one_place),
                whole_hours(of.sun_h),
            ];
            if stands_before(group.kind) {
                cells.extend([
                    whole_hours(of.let_in_h),
                    whole_hours(of.kept_out_h()),
                    percent(of.kept_out_h(), of.sun_h),
                    whole_hours(of.view_h),
                    percent(of.view_h, of.day_h),
                ]);
            } else {
                cells.extend(std::iter::repeat_n("–".to_owned(), 5));
            }
            cells.extend([whole_hours(of.lost_wind_h), whole_hours(of.lost_other_h)]);
            let [with, without] = gain(page.model, group, of, area);
            cells.extend([with, without]);
            cells
        });
    out.push_str("<section id=\"light\">\n<h2>Light and view</h2>\n<p class=\"sub\">Per group, over the whole span.</p>\n");
    out.push_str(&table(&heads, &[], &rows.collect::<Vec<_>>(), None));
    let minutes = EVERY_MS / MINUTE;
    let mut told = vec![
        format!("looked at every {minutes} minutes; an hour counts with the share of the opening that it concerns"),
        format!(
            "sun on it: direct sun of at least {SUNSHINE_WM2:.0} W/m² at right angles (sunshine as WMO-No. 8 has it) on the opening, \
             after horizon, opposite buildings, reveal and overhang; on the facade for groups without an opening"
        ),
        "let in: through what no device covers, and between slats (flat, thin slats that reflect nothing: the direct-to-direct \
         transmittance of ISO 15099 and the EnergyPlus Engineering Reference); cloth and curtain let nothing through"
            .to_owned(),
        "view out: of the hours with the sun up, what of the opening a level line of sight passes. Awnings shade what lies before \
         the opening: no part of these columns"
            .to_owned(),
        "lost to wind: direct sun on the opening and the sun wish asked to shade, but wind had the device in its refuge".to_owned(),
        format!(
            "gain: irradiation of the shaded part times the product's g_total, and of the rest times {GLAZING_G} for the glazing \
             (assumed, the site file does not say; common practice, no source); unshaded: all of it times {GLAZING_G}. An estimate \
             for comparing settings: g_total is that of closed slats or cloth, taken as the same for every angle (the simplified \
             method of EN ISO 52022-1 is stated to be off by +0.10 to -0.02 and not to be used for beneficial gains or comfort){}",
            for_comparison()
        ),
        "– in these columns: the site file gives no opening, or the product no g_total".to_owned(),
    ];
    if page.year.dark_looks > 0 {
        let part = percent(f64::from(page.year.dark_looks), f64::from(page.year.looks));
        told.push(format!("the data say nothing of the light at {part} of the looks: these hours are in no column but view out"));
    }
    notes(out, &told);
    out.push_str("</section>\n");
}

/// What the published method gives for a common cloth, to hold a g_total against.
fn for_comparison() -> String {
    let (transmittance, reflectance) = CLOTH;
    let glazing = Glazing {
        u: GLAZING_U,
        g: GLAZING_G,
    };
    let g_total = glazing.with_external(transmittance, reflectance);
    g_total.map_or_else(String::new, |g_total| {
        format!(
            ". To hold a g_total against: that method gives {g_total:.2} for cloth outside of such glazing (U {GLAZING_U} W/(m²·K)) \
             that lets {transmittance} through and reflects {reflectance}"
        )
    })
}

/// Area of the group's openings, m²; `None` where it has none.
fn glass(model: &Model, group: &Group) -> Option<f64> {
    let areas = group
        .devices
        .iter()
        .filter_map(|device| model.device(*device).opening);
    areas
        .map(|opening| opening.width_m() * opening.height_m())
        .reduce(|all, area| all + area)
}

fn gain(model: &Model, group: &Group, of: &GroupYear, area: Option<f64>) -> [String; 2] {
    let totals = group
        .devices
        .iter()
        .filter_map(|device| model.product_of(*device).g_total);
    let known = totals
        .reduce(f64::max)
        .filter(|_| stands_before(group.kind));
    match (known, area) {
        (Some(g_total), Some(area)) => {
            let with = area * (of.shaded_kwh * g_total + of.open_kwh * GLAZING_G);
            let without = area * (of.shaded_kwh + of.open_kwh) * GLAZING_G;
            [rounded(with), rounded(without)]
        }
        _ => ["–", "–"].map(str::to_owned),
    }
}

/// The storms of the year.
pub(super) fn storms(out: &mut String, page: &Page<'_>) {
    let all = page.year.storms.storms(&page.setting.sky);
    let count = all.len();
    let told = strongest(all, MOST_STORMS);
    let which = if count > told.len() {
        format!("The {} strongest of {count}, in order of time.", told.len())
    } else {
        format!("All {count}.")
    };
    let _ = write!(
        out,
        "<section id=\"storms\">\n<h2>Storms of the year</h2>\n<p class=\"sub\">Spells in which wind locked some group; less than \
         three hours apart they are one. {which}</p>\n"
    );
    if told.is_empty() {
        out.push_str("<p class=\"small\">Wind locked nothing in this run.</p>\n</section>\n");
        return;
    }
    let heads = [
        "begin",
        "end",
        "hours",
        "mean m/s",
        "gust m/s",
        "groups",
        "drives sent away",
        "which groups",
    ];
    let one_year = page.setting.from.utc().year() == page.setting.to.plus(-DAY).utc().year();
    let when = |at: Wall| {
        let local = at.utc().with_timezone(&page.model.site.zone);
        let form = if one_year {
            "%a %-d %b %H:%M"
        } else {
            "%-d %b %Y %H:%M"
        };
        format!("<span class=\"when\">{}</span>", local.format(form))
    };
    let speed = |mps: Option<f64>| mps.map_or_else(|| "–".to_owned(), one_place);
    let rows = told.iter().map(|storm| {
        vec![
            when(storm.from),
            when(storm.to),
            one_place(super::year::hours(storm.to.0 - storm.from.0)),
            speed(storm.mean),
            speed(storm.gust),
            storm.groups.len().to_string(),
            dotted(u64::try_from(storm.drives).unwrap_or(u64::MAX)),
            escaped(&told_groups(page.model, &storm.groups)),
        ]
    });
    out.push_str(&table(
        &heads.map(str::to_owned),
        &[1, 7],
        &rows.collect::<Vec<_>>(),
        None,
    ));
    notes(
        out,
        &[
            "mean and gust: the strongest of the data within the storm, at the station and without the factors of the site file".to_owned(),
            "times without seconds fall on the minute; this table says when guards were engaged, not whether a device was in its \
             refuge in time: that is what the storm audit is for"
                .to_owned(),
        ],
    );
    out.push_str("</section>\n");
}

/// Groups by name, told the shorter way.
fn told_groups(model: &Model, groups: &[GroupId]) -> String {
    let names = |of: Vec<GroupId>| {
        // A name is not broken over two lines.
        let name = |group: &GroupId| model.group(*group).name.replace(' ', "\u{A0}");
        of.iter().map(name).collect::<Vec<_>>().join(", ")
    };
    let others: Vec<GroupId> = (0..model.groups.len())
        .map(GroupId::of)
        .filter(|id| !groups.contains(id))
        .collect();
    if others.is_empty() {
        "all".to_owned()
    } else if others.len() < groups.len() {
        format!("all but {}", names(others))
    } else {
        names(groups.to_vec())
    }
}

/// How to read it all.
pub(super) fn reading(out: &mut String, page: &Page<'_>) {
    out.push_str("<section id=\"reading\" class=\"on\">\n<h2>How to read these pages</h2>\n");
    let told = [
        "Extension is 0 % fully retracted to 100 % fully extended; tilt is the slat angle, 0° horizontal, positive the outer edge down.",
        "In a carpet each day is a column from midnight below to midnight above, by the site's clock; the hour that is skipped in \
         spring is not looked at, of the hour that occurs twice in autumn the second is drawn.",
        "The order of precedence is service, fire, wind, hail, ice, rain, hand, sun, timetable, rest; open doors and the drives' own \
         needs bound every one of them. The word that decided is the highest that spoke.",
        "A lockout is a weather guard that has engaged: wind, hail, ice or rain. Unknown weather engages it too.",
        "A dry run is the decision core of the building itself, run over the weather named on the first page. It shows the logic on \
         these data; it shows neither that a sensor stood in the wind of its facade nor that a motor moved.",
    ];
    let told = told.map(str::to_owned);
    notes(out, &told);
    let _ = write!(
        out,
        "<h3>Fingerprint</h3>\n<p class=\"mono\">{}</p>\n</section>\n",
        escaped(&page.head.fingerprint())
    );
}

fn notes(out: &mut String, told: &[String]) {
    let items: Vec<String> = told
        .iter()
        .map(|text| format!("<li>{}</li>", escaped(text)))
        .collect();
    let _ = writeln!(out, "<ul class=\"notes\">{}</ul>", items.join("\n"));
}
