//! Numbers as good as random that anyone can repeat: a short stream for each number asked for.
//!
//! ```text
//! s <- s + g,   z = (s ^ s>>30) a,   z = (z ^ z>>27) b,   out = z ^ z>>31
//! ```
//!
//! Symbols   s state, out, 64 bits, all modulo 2^64;  g, a, b odd constants
//! Source    SplitMix64: Steele, Lea & Flood, OOPSLA 2014, p. 453 (from memory)
//! Care      for sampling, not for secrets. A stream depends on its seed and number alone, so that threads
//!           may draw in any order

/// The golden ratio in 64 bits, odd.
const STEP: u64 = 0x9E37_79B9_7F4A_7C15;
/// Multipliers of the mix.
const MIX: (u64, u64) = (0xBF58_476D_1CE4_E5B9, 0x94D0_49BB_1331_11EB);

/// A stream of numbers.
#[derive(Clone, Debug)]
pub struct Stream {
    state: u64,
}

impl Stream {
    /// Stream `number` of a seed.
    pub fn new(seed: u64, number: u64) -> Self {
        // Mixed twice: neighbouring seeds and numbers must start far apart.
        let state = mix(mix(seed.wrapping_add(STEP)).wrapping_add(number.wrapping_mul(STEP)));
        Self { state }
    }

    /// 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(STEP);
        mix(self.state)
    }

    /// Evenly from 0 to below 1, in steps of 2^-53.
    pub fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (0.5 * f64::EPSILON)
    }
}

fn mix(state: u64) -> u64 {
    let z = (state ^ (state >> 30)).wrapping_mul(MIX.0);
    let z = (z ^ (z >> 27)).wrapping_mul(MIX.1);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_stream_comes_out() {
        // Reference stream of seed 1234567 (from memory)
        let mut stream = Stream { state: 1_234_567 };
        let expected = [
            6_457_827_717_110_365_317_u64,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        assert_eq!(expected.map(|_| stream.bits()), expected);
    }

    #[test]
    fn neighbouring_streams_have_nothing_in_common() {
        // Means and products of 40000 even numbers: mean 1/2, spread 1/√12, correlation 0, each within
        // four standard errors: 4/√12/200 and 4/12/200.
        const COUNT: u64 = 40_000;
        let firsts = |seed: u64| (0..COUNT).map(move |k| Stream::new(seed, k).share());
        let root = (COUNT as f64).sqrt();
        let mean = firsts(1).sum::<f64>() / COUNT as f64;
        assert!((mean - 0.5).abs() < 4.0 / 12_f64.sqrt() / root, "{mean}");
        let square = firsts(1).map(|u| (u - 0.5).powi(2)).sum::<f64>() / COUNT as f64;
        // The variance of (u - 1/2)² is 1/180
        let error = (1.0 / 180_f64).sqrt() / root;
        assert!((square - 1.0 / 12.0).abs() < 4.0 * error, "{square}");
        let shifted = firsts(1).zip(firsts(1).skip(1));
        let seeds = firsts(1).zip(firsts(2));
        for pairs in [shifted.collect::<Vec<_>>(), seeds.collect()] {
            let product: f64 = pairs.iter().map(|(u, v)| (u - 0.5) * (v - 0.5)).sum();
            let product = product / COUNT as f64;
            assert!(product.abs() < 4.0 / 12.0 / root, "{product}");
        }
    }
}
