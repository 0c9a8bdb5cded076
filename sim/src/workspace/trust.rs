//! When a step of Newton's iteration need not be verified.

/// What the last verified steps told of the bending of the equations, so that not every time step
/// need be verified: the correction after one of size d is about `bending`·d².
#[derive(Clone, Copy, Debug)]
pub(crate) struct Trust {
    alpha: f64,
    bending: f64,
    granted: u32,
    /// Steps taken on trust before one is verified again.
    most: u32,
    /// Share of the limit that is made use of.
    share: f64,
}

impl Default for Trust {
    fn default() -> Self {
        Self {
            alpha: f64::NAN,
            bending: f64::INFINITY,
            granted: 0,
            most: Self::MOST,
            share: 1.0,
        }
    }
}

impl Trust {
    /// Steps taken on trust before one is verified again.
    const MOST: u32 = 16;
    /// The bending may have grown by this since it was measured.
    const MARGIN: f64 = 1.5;

    /// Every step is verified.
    pub(crate) fn none() -> Self {
        Self {
            most: 0,
            ..Self::default()
        }
    }

    /// Of the limit only so much is made use of.
    pub(crate) fn within(share: f64) -> Self {
        Self {
            share,
            ..Self::default()
        }
    }

    /// Whether the correction after one of `size` at this `alpha` is sure to stay below `limit`; both in
    /// tolerances.
    pub(crate) fn covers(&self, alpha: f64, size: f64, limit: f64) -> bool {
        self.alpha.to_bits() == alpha.to_bits()
            && self.granted < self.most
            && Self::MARGIN * self.bending * size * size <= self.share * limit
    }

    /// A step was taken on trust.
    pub(crate) fn granted(&mut self) {
        self.granted += 1;
    }

    /// A step was verified.
    pub(crate) fn measured(&mut self, alpha: f64, bending: f64) {
        *self = Self {
            alpha,
            bending,
            granted: 0,
            ..*self
        };
    }
}

#[cfg(test)]
mod tests {
    use super::Trust;

    #[test]
    fn trust_is_used_up_by_steps_and_not_by_questions() {
        let mut trust = Trust::default();
        assert!(!trust.covers(1.0, 1e-3, 1.0), "nothing is known yet");
        trust.measured(1.0, 0.5);
        for _ in 0..100 {
            assert!(trust.covers(1.0, 1.0, 1.0));
        }
        assert!(
            !trust.covers(1.0, 1.2, 1.0),
            "1.5 times 0.5 times its square"
        );
        assert!(!trust.covers(2.0, 1.0, 1.0), "another step");
        for _ in 0..16 {
            assert!(trust.covers(1.0, 1.0, 1.0));
            trust.granted();
        }
        assert!(!trust.covers(1.0, 1.0, 1.0), "one is to be verified again");
        let mut none = Trust::none();
        none.measured(1.0, 0.0);
        assert!(!none.covers(1.0, 0.0, 1.0));
    }
}
