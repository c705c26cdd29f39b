//! What goes wrong between the board and the host, from a seed.

/// The plan of faults. Shares are of samples frames; times are s since the stream began.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Faults {
    /// Share of frames that are lost.
    pub drop: f64,
    /// Share of frames with a flipped byte.
    pub flip: f64,
    /// Share of frames that come twice.
    pub duplicate: f64,
    /// When the port is unplugged.
    pub unplug_after_s: Option<f64>,
    /// When it returns, after it was unplugged.
    pub return_after_s: f64,
    /// Unplugged again after as long.
    pub unplug_again: bool,
    /// When the device is reset.
    pub reset_after_s: Option<f64>,
    /// By how much the device's clock runs fast, parts per million.
    pub clock_drift_ppm: f64,
}

/// What becomes of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// It arrives.
    Whole,
    /// It does not.
    Dropped,
    /// This byte of it is another (position as a share of 2³², and what is done to it).
    Flipped(u32, u8),
    /// It arrives twice.
    Twice,
}

impl Faults {
    /// Draws a frame's fate.
    pub fn fate(&self, random: &mut fastrand::Rng) -> Fate {
        let draw = random.f64();
        if draw < self.drop {
            Fate::Dropped
        } else if draw < self.drop + self.flip {
            Fate::Flipped(random.u32(..), random.u8(1..))
        } else if draw < self.drop + self.flip + self.duplicate {
            Fate::Twice
        } else {
            Fate::Whole
        }
    }
}
