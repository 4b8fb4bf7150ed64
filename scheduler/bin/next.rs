//! `leeside next`: what each group will do next, and when.

use crate::exit::Broken;
use crate::given::{self, Moment};
use clap::{Args, ValueEnum};
use leeside_core::ids::GroupId;
use leeside_core::time::{MINUTE, Wall};
use leeside_dryrun::next::{HORIZON_MS, json, next, text};
use leeside_dryrun::replay::{Occupancy, PlantKind, Setting, Sky};
use leeside_dryrun::report::Head;
use std::path::PathBuf;
use std::process::ExitCode;

/// What each group will do next, and when
///
/// In local time, in UTC and counted from a base time, with the reason. It is
/// worked out by the core itself under an assumption that stands in the answer:
/// a clear and calm sky, doors closed, nobody asking for anything.
#[derive(Args, Debug)]
pub(crate) struct NextArgs {
    /// The site file
    site: PathBuf,
    /// The base time: RFC 3339, or local to the site [default: now]
    #[arg(long, value_name = "T", value_parser = Moment::read)]
    from: Option<Moment>,
    /// How many movements of each group
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u16).range(1..=1000))]
    count: u16,
    /// Only this group; may be given several times
    #[arg(long, value_name = "NAME")]
    group: Vec<String>,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs
    Json,
}

/// Looks ahead and prints.
pub(crate) fn run(args: NextArgs) -> anyhow::Result<ExitCode> {
    let from = args
        .from
        .unwrap_or_else(|| Moment::Utc(Wall::from_utc(chrono::Utc::now())));
    let site = given::site(&args.site, from.year())?;
    let model = &site.model;
    let groups: Vec<GroupId> = if args.group.is_empty() {
        (0..model.groups.len()).map(GroupId::of).collect()
    } else {
        args.group
            .iter()
            .map(|name| given::group(model, name))
            .collect::<Result<_, Broken>>()?
    };
    let from = from.at(model.site.zone);
    let setting = Setting {
        model: model.clone(),
        sky: Sky::ClearAndCalm,
        from,
        to: from.plus(HORIZON_MS),
        step_ms: MINUTE,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::OFFICE,
    };
    let head = Head::of(&setting, &site.fingerprint);
    let next = next(&setting, &groups, usize::from(args.count))?;
    given::print(&match args.format {
        Format::Text => text(model, &head, &next),
        Format::Json => format!("{:#}\n", json(model, &head, &next)),
    })?;
    Ok(ExitCode::SUCCESS)
}
