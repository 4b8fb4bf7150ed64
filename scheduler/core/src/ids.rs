//! Indices into the tables of a [`Model`](crate::model::Model).
//!
//! The core speaks of things by index; names belong to the model and appear
//! only in what a person reads.

use serde::{Deserialize, Serialize};

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
        pub struct $name(pub u32);

        impl $name {
            /// The index as a table offset.
            #[must_use]
            pub const fn index(self) -> usize {
                self.0 as usize
            }

            /// The id of the table entry at `index`.
            ///
            /// # Panics
            /// Where the table has more than `u32::MAX` entries, which no site has.
            #[must_use]
            pub fn of(index: usize) -> Self {
                Self(u32::try_from(index).expect("a site has fewer than 2^32 of anything"))
            }
        }
    )+};
}

ids! {
    /// A facade of the site.
    FacadeId,
    /// A room behind a facade.
    RoomId,
    /// A product: the make-up that several devices share.
    ProductId,
    /// A device and its drive.
    DeviceId,
    /// A breaker-protected circuit that several drives share.
    FeederId,
    /// Drives that are commanded together.
    GroupId,
    /// A sensor.
    SensorId,
    /// A contact: door, window, fire, occupancy or a plain switch input.
    ContactId,
    /// A timetable.
    TimetableId,
    /// A class of days.
    DayClassId,
    /// A named arrangement of poses.
    ArrangementId,
    /// A gateway between the broker and some drives and sensors.
    GatewayId,
}
