//! Whether a kept state can be that of a site: everything that is kept is walked
//! through once, by the same door as it is written.
//!
//! Bad sectors or somebody's hand may have made a state into one that cannot be.
//! What could stop the core is named here and nowhere else: an index that points
//! past its table, a count or moment beyond any clock, an extension beyond 100 %.
//! What is kept in future is walked through as well, without a word here.

use super::snapshot::Snapshot;
use crate::model::Model;
use crate::time::END_OF_TIME;
use core::fmt::{self, Display};
use serde::ser::{self, Serialize};

/// No count in a state comes near it (2^53, which every reader of JSON can tell apart).
const MOST: i64 = 1 << 53;

/// A kept state does not fit: where in it, and what.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Damaged {
    /// The place, by names from the outside in ("groups.south slats.hand.ends").
    pub place: String,
    /// What is there, and what could be.
    pub what: String,
}

impl Display for Damaged {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.what)
    }
}

impl core::error::Error for Damaged {}

impl ser::Error for Damaged {
    fn custom<T: Display>(what: T) -> Self {
        Self {
            place: String::new(),
            what: what.to_string(),
        }
    }
}

/// How much there is of what indices point to, by the names of their types.
#[derive(Clone, Debug)]
pub(super) struct Sizes<'m> {
    of: [(&'static str, usize); 7],
    /// Where indices are those of a model: what has a table of tables.
    model: Option<&'m Model>,
}

impl<'m> Sizes<'m> {
    /// Those of a model.
    pub(super) const fn of(model: &'m Model) -> Self {
        Self {
            of: [
                ("SensorId", model.sensors.len()),
                ("ContactId", model.contacts.len()),
                ("DeviceId", model.devices.len()),
                ("GatewayId", model.gateways.len()),
                ("TimetableId", model.timetables.len()),
                ("GroupId", model.groups.len()),
                ("FacadeId", model.facades.len()),
            ],
            model: Some(model),
        }
    }

    /// Those of the site that a state names.
    pub(super) fn named(order: &[String]) -> Self {
        let count = |kind: &str| order.iter().filter(|name| name.starts_with(kind)).count();
        Self {
            of: [
                ("SensorId", count("sensor ")),
                ("ContactId", count("contact ")),
                ("DeviceId", count("device ")),
                ("GatewayId", count("gateway ")),
                ("TimetableId", count("timetable ")),
                ("GroupId", count("group ")),
                ("FacadeId", count("facade ")),
            ],
            model: None,
        }
    }
}

/// Whether a state fits.
pub(super) fn check(snapshot: &Snapshot, sizes: Sizes<'_>) -> Result<(), Damaged> {
    snapshot.serialize(&mut Walk {
        sizes,
        path: Vec::new(),
        number: 0,
        text: String::new(),
        phase: [0; 3],
    })
}

/// A walk through a state.
struct Walk<'m> {
    sizes: Sizes<'m>,
    /// Where it is.
    path: Vec<String>,
    /// The whole number and the text that it came by last.
    number: i64,
    text: String,
    /// Timetable, plan and phase that it came by last.
    phase: [i64; 3],
}

impl Walk<'_> {
    fn damaged<T>(&self, what: String) -> Result<T, Damaged> {
        let place = self.path.join(".");
        Err(Damaged { place, what })
    }

    fn below(&self, number: i64, most: usize, of: &str) -> Result<(), Damaged> {
        match usize::try_from(number) {
            Ok(index) if index < most => Ok(()),
            _ => self.damaged(format!("{of} {number}, of {most} counted from 0")),
        }
    }

    fn whole(&mut self, number: i64) -> Result<(), Damaged> {
        self.number = number;
        if self.path.last().is_some_and(|name| name == "extension_pct") && number > 100 {
            return self.damaged(format!("{number} %, more than fully extended"));
        }
        if !(-MOST..=MOST).contains(&number) {
            return self.damaged(format!("{number} is beyond any count"));
        }
        Ok(())
    }

    fn field<T: Serialize + ?Sized>(&mut self, name: &str, value: &T) -> Result<(), Damaged> {
        self.path.push(name.to_owned());
        value.serialize(&mut *self)?;
        self.path.pop();
        match name {
            "timetable" => self.phase[0] = self.number,
            "plan" => self.phase[1] = self.number,
            "phase" => self.phase[2] = self.number,
            _ => {}
        }
        Ok(())
    }

    /// A phase as a reason names it.
    fn phase(&self) -> Result<(), Damaged> {
        let Some(model) = self.sizes.model else {
            return Ok(());
        };
        let at = |table: usize| usize::try_from(self.phase[table]).ok();
        let plan = at(0)
            .and_then(|index| model.timetables.get(index))
            .and_then(|timetable| timetable.plans.get(at(1)?));
        self.below(self.phase[2], plan.map_or(0, |p| p.phases.len()), "phase")
    }
}

/// A list, map or structure under way.
struct Inside<'w, 'm> {
    walk: &'w mut Walk<'m>,
    /// How many parts have been, for what has no names.
    index: usize,
    /// The variant, where it is one.
    variant: &'static str,
}

impl<'w, 'm> Inside<'w, 'm> {
    const fn of(walk: &'w mut Walk<'m>) -> Self {
        Self {
            walk,
            index: 0,
            variant: "",
        }
    }

    fn next<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), Damaged> {
        let index = self.index.to_string();
        self.index += 1;
        self.walk.field(&index, value)
    }

    fn named<T: Serialize + ?Sized>(&mut self, name: &str, value: &T) -> Result<(), Damaged> {
        self.walk.field(name, value)?;
        let number = self.walk.number;
        match (self.variant, name, self.walk.sizes.model) {
            ("phase", "phase", _) => self.walk.phase(),
            ("special", "index", Some(model)) => {
                self.walk.below(number, model.specials.len(), "special day")
            }
            _ => Ok(()),
        }
    }
}

impl<'w, 'm> ser::Serializer for &'w mut Walk<'m> {
    type Ok = ();
    type Error = Damaged;
    type SerializeSeq = Inside<'w, 'm>;
    type SerializeTuple = Inside<'w, 'm>;
    type SerializeTupleStruct = Inside<'w, 'm>;
    type SerializeTupleVariant = Inside<'w, 'm>;
    type SerializeMap = Inside<'w, 'm>;
    type SerializeStruct = Inside<'w, 'm>;
    type SerializeStructVariant = Inside<'w, 'm>;

    fn serialize_bool(self, _: bool) -> Result<(), Damaged> {
        Ok(())
    }
    fn serialize_i8(self, v: i8) -> Result<(), Damaged> {
        self.whole(v.into())
    }
    fn serialize_i16(self, v: i16) -> Result<(), Damaged> {
        self.whole(v.into())
    }
    fn serialize_i32(self, v: i32) -> Result<(), Damaged> {
        self.whole(v.into())
    }
    fn serialize_i64(self, v: i64) -> Result<(), Damaged> {
        self.whole(v)
    }
    fn serialize_u8(self, v: u8) -> Result<(), Damaged> {
        self.whole(v.into())
    }
    fn serialize_u16(self, v: u16) -> Result<(), Damaged> {
        self.whole(v.into())
    }
    fn serialize_u32(self, v: u32) -> Result<(), Damaged> {
        self.whole(v.into())
    }
    fn serialize_u64(self, v: u64) -> Result<(), Damaged> {
        // Bits of answers, not a count.
        if self.path.last().is_some_and(|name| name == "lit") {
            return Ok(());
        }
        self.whole(i64::try_from(v).unwrap_or(i64::MAX))
    }
    fn serialize_f32(self, v: f32) -> Result<(), Damaged> {
        self.serialize_f64(v.into())
    }
    fn serialize_f64(self, v: f64) -> Result<(), Damaged> {
        if v.is_finite() {
            Ok(())
        } else {
            self.damaged(format!("{v} is no number"))
        }
    }
    fn serialize_char(self, _: char) -> Result<(), Damaged> {
        Ok(())
    }
    fn serialize_str(self, v: &str) -> Result<(), Damaged> {
        v.clone_into(&mut self.text);
        Ok(())
    }
    fn serialize_bytes(self, _: &[u8]) -> Result<(), Damaged> {
        Ok(())
    }
    fn serialize_none(self) -> Result<(), Damaged> {
        Ok(())
    }
    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<(), Damaged> {
        value.serialize(self)
    }
    fn serialize_unit(self) -> Result<(), Damaged> {
        Ok(())
    }
    fn serialize_unit_struct(self, _: &'static str) -> Result<(), Damaged> {
        Ok(())
    }
    fn serialize_unit_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
    ) -> Result<(), Damaged> {
        Ok(())
    }
    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        name: &'static str,
        value: &T,
    ) -> Result<(), Damaged> {
        value.serialize(&mut *self)?;
        if matches!(name, "Wall" | "Steady") {
            let moment = self.number;
            return if moment.abs() <= END_OF_TIME {
                Ok(())
            } else {
                self.damaged(format!("moment {moment} is beyond any clock"))
            };
        }
        let size = self.sizes.of.iter().find(|(of, _)| *of == name);
        let kind = name.strip_suffix("Id").unwrap_or(name).to_lowercase();
        size.map_or(Ok(()), |(_, size)| self.below(self.number, *size, &kind))
    }
    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        _: u32,
        variant: &'static str,
        value: &T,
    ) -> Result<(), Damaged> {
        self.field(variant, value)
    }
    fn serialize_seq(self, _: Option<usize>) -> Result<Inside<'w, 'm>, Damaged> {
        Ok(Inside::of(self))
    }
    fn serialize_tuple(self, _: usize) -> Result<Inside<'w, 'm>, Damaged> {
        Ok(Inside::of(self))
    }
    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Inside<'w, 'm>, Damaged> {
        Ok(Inside::of(self))
    }
    fn serialize_tuple_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Inside<'w, 'm>, Damaged> {
        Ok(Inside::of(self))
    }
    fn serialize_map(self, _: Option<usize>) -> Result<Inside<'w, 'm>, Damaged> {
        Ok(Inside::of(self))
    }
    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Inside<'w, 'm>, Damaged> {
        Ok(Inside::of(self))
    }
    fn serialize_struct_variant(
        self,
        _: &'static str,
        _: u32,
        variant: &'static str,
        _: usize,
    ) -> Result<Inside<'w, 'm>, Damaged> {
        Ok(Inside {
            variant,
            ..Inside::of(self)
        })
    }
}

/// Lists and tuples: parts by their number.
macro_rules! by_number {
    ($($of:ident :: $part:ident),+) => {$(
        impl ser::$of for Inside<'_, '_> {
            type Ok = ();
            type Error = Damaged;
            fn $part<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), Damaged> {
                self.next(value)
            }
            fn end(self) -> Result<(), Damaged> {
                Ok(())
            }
        }
    )+};
}

/// Structures: parts by their name.
macro_rules! by_name {
    ($($of:ident),+) => {$(
        impl ser::$of for Inside<'_, '_> {
            type Ok = ();
            type Error = Damaged;
            fn serialize_field<T: Serialize + ?Sized>(
                &mut self,
                name: &'static str,
                value: &T,
            ) -> Result<(), Damaged> {
                self.named(name, value)
            }
            fn end(self) -> Result<(), Damaged> {
                Ok(())
            }
        }
    )+};
}

by_number!(
    SerializeSeq::serialize_element,
    SerializeTuple::serialize_element,
    SerializeTupleStruct::serialize_field,
    SerializeTupleVariant::serialize_field
);
by_name!(SerializeStruct, SerializeStructVariant);

impl ser::SerializeMap for Inside<'_, '_> {
    type Ok = ();
    type Error = Damaged;
    fn serialize_key<T: Serialize + ?Sized>(&mut self, key: &T) -> Result<(), Damaged> {
        key.serialize(&mut *self.walk)
    }
    fn serialize_value<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), Damaged> {
        let name = core::mem::take(&mut self.walk.text);
        self.walk.field(&name, value)
    }
    fn end(self) -> Result<(), Damaged> {
        Ok(())
    }
}
