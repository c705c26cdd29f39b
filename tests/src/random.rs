//! Numbers from a seed, so that a failure can be had again.

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
pub struct Random(pub u64);

impl Random {
    /// The next number.
    pub fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// A number below `end`.
    pub fn below(&mut self, end: u64) -> u64 {
        self.number() % end.max(1)
    }
}

/// How often something is tried: `usually`, or `long` where LONG is set.
pub fn times(usually: u64, long: u64) -> u64 {
    if std::env::var_os("LONG").is_some() { long } else { usually }
}
