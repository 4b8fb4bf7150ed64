//! What is said in short: spans, and reasons for those who only glance at them.

use super::Teller;
use leeside_core::reason::Because;
use leeside_core::time::Wall;

impl Teller<'_> {
    /// From one moment to another; the day is said once where both lie in one.
    #[must_use]
    pub fn span(&self, from: Wall, to: Wall) -> String {
        let zone = self.model.site.zone;
        let date = from.local_date(zone);
        let whole = |at: Wall| {
            crate::words::local(self.model, at)
                .format("%H:%M")
                .to_string()
        };
        if date == Wall(to.0 - 1).local_date(zone) {
            let (begins, ends) = (whole(from), whole(to));
            return match (begins.as_str(), ends.as_str()) {
                ("00:00", "00:00") => self.words.date(date),
                (begins, "00:00") => format!("{} {begins}–24:00", self.words.date(date)),
                (begins, ends) => format!("{} {begins}–{ends}", self.words.date(date)),
            };
        }
        format!("{} – {}", self.moment(from), self.moment(to))
    }

    /// A reason for those who only glance at it: of the sun without its angles.
    #[must_use]
    pub fn briefly(&self, because: &Because) -> String {
        let Because::SunShading {
            irradiance_wm2,
            on_wm2,
            ..
        } = because
        else {
            return self.because(because);
        };
        self.fill(
            "because.sun_briefly",
            &[
                ("irradiance", &self.whole(*irradiance_wm2)),
                ("on", &self.whole(*on_wm2)),
            ],
        )
    }
}
