//! What people write: site file and calendars, with every problem found in one pass.
