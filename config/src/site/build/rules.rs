//! Guards and wishes that groups refer to by name.

use crate::site::node::{Node, Span};
use crate::site::read::{Reader, Tree};
use leeside_core::ids::{ContactId, SensorId};
use leeside_core::model::{
    DailyCap, HailRule, HandRule, IceRule, Moisture, RainRule, Sector, Sensor, SensorKind,
    WindLink, WindRule,
};
use leeside_core::pose::Pose;

/// All rules, each list in the order of the file.
#[derive(Debug)]
pub(crate) struct Rules {
    /// Wind rules, still without a limit: that comes from the group's products.
    pub(crate) wind: Vec<Option<WindRule>>,
    pub(crate) hail: Vec<Option<HailRule>>,
    pub(crate) ice: Vec<Option<IceRule>>,
    pub(crate) rain: Vec<Option<RainRule>>,
    pub(crate) fire: Vec<Option<FireDraft>>,
    pub(crate) hand: Vec<Option<HandRule>>,
    pub(crate) sun: Vec<Option<SunDraft>>,
}

/// A pose and where it stands in the file: it is fitted to each group that uses it.
#[derive(Debug, Clone)]
pub(crate) struct PoseAt {
    pub(crate) pose: Pose,
    pub(crate) span: Span,
    pub(crate) what: String,
}

#[derive(Debug, Clone)]
pub(crate) struct FireDraft {
    pub(crate) contacts: Vec<ContactId>,
    pub(crate) pose: PoseAt,
}

#[derive(Debug, Clone)]
pub(crate) enum AimDraft {
    Track,
    Fixed(PoseAt),
    Depth { depth_m: f64, plane_m: f64 },
}

#[derive(Debug, Clone)]
pub(crate) struct SunDraft {
    pub(crate) name: String,
    pub(crate) span: Span,
    pub(crate) aim: AimDraft,
    pub(crate) on_wm2: f64,
    pub(crate) off_wm2: f64,
    pub(crate) on_delay_ms: i64,
    pub(crate) off_delay_ms: i64,
    pub(crate) retract_delay_ms: i64,
    pub(crate) least_step: i16,
    pub(crate) least_interval_ms: i64,
    pub(crate) cap: DailyCap,
    pub(crate) heat: Option<HeatDraft>,
}

#[derive(Debug, Clone)]
pub(crate) struct HeatDraft {
    pub(crate) outdoor: Option<SensorId>,
    pub(crate) setpoint_c: f64,
    pub(crate) band_k: f64,
    pub(crate) from_wm2: f64,
    pub(crate) keep_out: PoseAt,
    pub(crate) let_in: PoseAt,
}

pub(crate) fn rules(reader: &mut Reader<'_>, tree: &Tree, sensors: &[Option<Sensor>]) -> Rules {
    let build = |section: &str| tree.all(section).iter().collect::<Vec<_>>();
    let (wind, hail, ice, rain) = (build("wind"), build("hail"), build("ice"), build("rain"));
    let (fire, hand, sun) = (build("fire"), build("hand"), build("sun"));
    Rules {
        wind: wind
            .into_iter()
            .map(|node| wind_rule(reader, node))
            .collect(),
        hail: hail.into_iter().map(hail_rule).collect(),
        ice: ice.into_iter().map(|node| ice_rule(reader, node)).collect(),
        rain: rain
            .into_iter()
            .map(|node| rain_rule(reader, node, sensors))
            .collect(),
        fire: fire.into_iter().map(fire_rule).collect(),
        hand: hand
            .into_iter()
            .map(|node| hand_rule(reader, node))
            .collect(),
        sun: sun.into_iter().map(|node| sun_rule(reader, node)).collect(),
    }
}

pub(crate) fn pose_at(node: &Node, key: &str) -> Option<PoseAt> {
    Some(PoseAt {
        pose: node.pose(key)?,
        span: node.at(key),
        what: format!("`{key}` of {}", node.label),
    })
}

fn sensor_ids(node: &Node) -> Option<Vec<SensorId>> {
    Some(
        node.many("sensors")?
            .iter()
            .map(|(sensor, _)| SensorId::of(*sensor))
            .collect(),
    )
}

fn wind_rule(reader: &mut Reader<'_>, node: &Node) -> Option<WindRule> {
    let mut links: Vec<WindLink> = Vec::new();
    for link in node.tables("sensors")? {
        let sensor = SensorId::of(link.one("sensor")?);
        let factor = link.number("factor")?;
        if factor < 1.0 {
            reader.error(
                &link.at("factor"),
                format!(
                    "`factor` is {factor}: a factor below 1 would make the wind less than measured"
                ),
                "a factor may only tighten: 1 or more",
            );
        }
        if links.iter().any(|known| known.sensor == sensor) {
            reader.error(
                &link.at("sensor"),
                format!("{} names this sensor twice", node.label),
                "once is enough; directions go into its `sectors`",
            );
        }
        let mut sectors = Vec::new();
        for sector in link.tables("sectors").unwrap_or_default() {
            let made = Sector {
                from_deg: sector.number("from_deg")?,
                to_deg: sector.number("to_deg")?,
                factor: sector.number("factor")?,
            };
            if made.factor < 1.0 {
                reader.error(
                    &sector.at("factor"),
                    format!(
                        "the sector's factor is {}: below 1 it would make the wind less than measured",
                        made.factor
                    ),
                    "a sector may only tighten: 1 or more, on top of the sensor's own factor",
                );
            }
            if (made.from_deg - made.to_deg).abs() < 1e-9 {
                reader.error(
                    &sector.span,
                    "the sector begins where it ends",
                    "the whole circle needs no sector: set the sensor's own factor",
                );
            }
            sectors.push(made);
        }
        links.push(WindLink {
            sensor,
            factor,
            sectors,
            advisory: link.flag("forecast")?,
        });
    }
    Some(WindRule {
        limit_mps: f64::NAN,
        source: String::new(),
        hysteresis_mps: node.number("hysteresis_mps")?,
        hold_ms: node.ms("hold_min")?,
        persistence_ms: node.ms("persistence_s")?,
        links,
    })
}

fn hail_rule(node: &Node) -> Option<HailRule> {
    Some(HailRule {
        sensors: sensor_ids(node)?,
        from: node.number("from")?,
        hold_ms: node.ms("hold_min")?,
    })
}

fn rain_rule(reader: &mut Reader<'_>, node: &Node, sensors: &[Option<Sensor>]) -> Option<RainRule> {
    let rule = RainRule {
        sensors: sensor_ids(node)?,
        above: node.number("above_mm_h")?,
        hold_ms: node.ms("hold_min")?,
    };
    let lowest_top = rule
        .sensors
        .iter()
        .filter_map(|s| sensors.get(s.index())?.as_ref())
        .filter(|s| s.kind == SensorKind::Rain)
        .map(|s| s.validity.max)
        .fold(f64::INFINITY, f64::min);
    if rule.above >= lowest_top {
        reader.error(
            &node.at("above_mm_h"),
            format!(
                "`above_mm_h` is {}, which its sensor can never exceed ({lowest_top})",
                rule.above
            ),
            "for a sensor that says 0 and 1, leave above_mm_h at 0",
        );
    }
    Some(rule)
}

fn ice_rule(reader: &mut Reader<'_>, node: &Node) -> Option<IceRule> {
    let (below_c, above_c) = (node.number("below_c")?, node.number("above_c")?);
    if above_c <= below_c {
        reader.error(&node.at("above_c"), format!("`above_c` {above_c} is not above `below_c` {below_c}: the guard would release where it engages"), "some kelvin between them, such as 3 and 5");
    }
    let mut moisture = Vec::new();
    for part in node.tables("moisture").unwrap_or_default() {
        match (part.one("rain"), part.one("humidity")) {
            (Some(sensor), None) => moisture.push(Moisture::Rain {
                sensor: SensorId::of(sensor),
                within_ms: part.ms("within_min")?,
            }),
            (None, Some(sensor)) => moisture.push(Moisture::Humidity {
                sensor: SensorId::of(sensor),
                from_pct: part.number("from_pct")?,
            }),
            _ if part.sound => reader.error(
                &part.span,
                format!("{} needs one of `rain` and `humidity`", part.label),
                "write one table for each sensor",
            ),
            _ => {}
        }
    }
    if node.word("moisture").is_some() {
        moisture.push(Moisture::Always);
    }
    Some(IceRule {
        sensors: sensor_ids(node)?,
        below_c,
        above_c,
        hold_ms: node.ms("hold_min")?,
        moisture,
    })
}

fn fire_rule(node: &Node) -> Option<FireDraft> {
    let contacts = node
        .many("contacts")?
        .iter()
        .map(|(contact, _)| ContactId::of(*contact))
        .collect();
    Some(FireDraft {
        contacts,
        pose: pose_at(node, "pose")?,
    })
}

fn hand_rule(reader: &mut Reader<'_>, node: &Node) -> Option<HandRule> {
    let hold_ms = node.ms("hold_min")?;
    let mut announce_ms = node.ms("announce_min")?;
    if announce_ms >= hold_ms {
        if node.has("announce_min") {
            reader.error(
                &node.at("announce_min"),
                "the return would be announced before the hold begins",
                "announce_min must be less than hold_min",
            );
        }
        announce_ms = hold_ms / 2;
    }
    Some(HandRule {
        hold_ms,
        announce_ms,
    })
}

fn sun_rule(reader: &mut Reader<'_>, node: &Node) -> Option<SunDraft> {
    let word = node.word("aim")?;
    let foreign: &[&str] = match word {
        "track_slats" => &["pose", "depth_m", "plane_m", "least_step_pct"],
        "fixed" => &["depth_m", "plane_m", "least_step_deg", "least_step_pct"],
        _ => &["pose", "least_step_deg"],
    };
    for key in foreign {
        if node.has(key) {
            reader.error(
                &node.at(key),
                format!("`{key}` means nothing where aim = \"{word}\""),
                "leave it out, or choose another aim",
            );
        }
    }
    let needed: &[&str] = match word {
        "track_slats" => &[],
        "fixed" => &["pose"],
        _ => &["depth_m", "plane_m"],
    };
    for key in needed {
        if !node.has(key) && node.sound {
            reader.error(
                &node.span,
                format!("{} has aim = \"{word}\" and lacks `{key}`", node.label),
                format!("add `{key} = ...`"),
            );
        }
    }
    let (on_wm2, off_wm2) = (node.number("on_wm2")?, node.number("off_wm2")?);
    if off_wm2 >= on_wm2 {
        reader.error(&node.at("off_wm2"), format!("`off_wm2` {off_wm2} is not below `on_wm2` {on_wm2}: it would shade and open without end"), "common practice: half to two thirds of on_wm2");
    }
    let aim = match word {
        "track_slats" => AimDraft::Track,
        "fixed" => AimDraft::Fixed(pose_at(node, "pose")?),
        _ => AimDraft::Depth {
            depth_m: node.number("depth_m")?,
            plane_m: node.number("plane_m")?,
        },
    };
    let step = match aim {
        AimDraft::Track => node.whole("least_step_deg")?,
        AimDraft::Depth { .. } => node.whole("least_step_pct")?,
        AimDraft::Fixed(_) => 1,
    };
    Some(SunDraft {
        name: node.text("name")?.to_owned(),
        span: node.at("aim"),
        aim,
        on_wm2,
        off_wm2,
        on_delay_ms: node.ms("on_delay_min")?,
        off_delay_ms: node.ms("off_delay_min")?,
        retract_delay_ms: node.ms("retract_delay_min")?,
        least_step: i16::try_from(step).ok()?,
        least_interval_ms: node.ms("least_interval_min")?,
        cap: DailyCap {
            travels: u16::try_from(node.whole("travels_per_day")?).ok()?,
            tilts: u16::try_from(node.whole("tilts_per_day")?).ok()?,
        },
        heat: node.table("heat").and_then(heat),
    })
}

fn heat(node: &Node) -> Option<HeatDraft> {
    Some(HeatDraft {
        outdoor: node.one("outdoor").map(SensorId::of),
        setpoint_c: node.number("setpoint_c")?,
        band_k: node.number("band_k")?,
        from_wm2: node.number("from_wm2")?,
        keep_out: pose_at(node, "keep_out")?,
        let_in: pose_at(node, "let_in")?,
    })
}
