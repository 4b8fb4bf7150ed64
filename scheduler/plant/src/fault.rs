//! What can be wrong with a drive or its feeder.

/// What is wrong with one drive.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Fault {
    /// It neither moves nor answers.
    Dead,
    /// It answers that it cannot move.
    Jammed,
    /// It takes this many per cent of its proper time (150: half as long again).
    Slow {
        /// Per cent of the proper time, at least 1.
        percent: u32,
    },
    /// Each stop between the end stops is this much further out (negative: in)
    /// than the drive believes, in millionths of the travel, and the error adds
    /// up until an end stop is reached. The drive reports what it believes.
    Drifting {
        /// Error added by each such stop, millionths of the travel.
        ppm_per_move: i32,
    },
}

/// The state of a feeder.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Supply {
    /// Full voltage.
    #[default]
    Normal,
    /// Its drives take this many per cent of their proper time.
    Slow {
        /// Per cent of the proper time, at least 1.
        percent: u32,
    },
    /// No voltage: its drives stop where they are, forget what they were told,
    /// and say nothing.
    Tripped,
}
