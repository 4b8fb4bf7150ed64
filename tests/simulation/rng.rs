//! Random numbers that are the same on every machine.

/// SplitMix64 (Steele, Lea & Flood 2014).
#[derive(Clone, Debug)]
pub(crate) struct Rng(u64);

impl Rng {
    pub(crate) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(crate) const fn draw(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From `from` to `to`, both included.
    pub(crate) fn int(&mut self, from: i64, to: i64) -> i64 {
        let span = u64::try_from(to - from).unwrap_or(0) + 1;
        from + i64::try_from(self.draw() % span).unwrap_or(0)
    }

    pub(crate) fn index(&mut self, len: usize) -> usize {
        let len = u64::try_from(len.max(1)).unwrap_or(1);
        usize::try_from(self.draw() % len).unwrap_or(0)
    }

    /// From `from` (included) to `to`.
    pub(crate) fn real(&mut self, from: f64, to: f64) -> f64 {
        let thirty = u32::try_from(self.draw() >> 34).unwrap_or(0);
        from + (to - from) * f64::from(thirty) / f64::from(1_u32 << 30)
    }

    /// Once in `times` on average.
    pub(crate) const fn once_in(&mut self, times: u64) -> bool {
        self.draw().is_multiple_of(times)
    }

    pub(crate) fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.index(of.len())]
    }
}
