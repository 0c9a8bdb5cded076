//! Writes `examples/recordings/plucked.wav`: six plucked strings, synthesised, our own invention.
//!
//! Source   Karplus & Strong, Computer Music Journal 7 (1983) 43 (from memory)

const RATE: u32 = 44_100;

/// Pitch, Hz, and when it is plucked, s: a slow broken chord on E.
const STRINGS: [(f64, f64); 6] = [
    (82.41, 0.02),
    (123.47, 0.25),
    (164.81, 0.45),
    (207.65, 0.65),
    (246.94, 0.85),
    (329.63, 1.05),
];

const SECONDS: f64 = 2.0;

fn main() -> Result<(), hound::Error> {
    let count = (SECONDS * f64::from(RATE)) as usize;
    let mut sum = vec![0.0; count];
    for (k, &(pitch, start)) in STRINGS.iter().enumerate() {
        pluck(
            pitch,
            k as u64 + 1,
            &mut sum[(start * f64::from(RATE)) as usize..],
        );
    }
    let peak = sum.iter().map(|x: &f64| x.abs()).fold(0.0, f64::max);
    // The end dies away instead of stopping.
    let fade = (0.2 * f64::from(RATE)) as usize;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create("examples/recordings/plucked.wav", spec)?;
    for (k, sample) in sum.iter().enumerate() {
        let left = ((count - k) as f64 / fade as f64).min(1.0);
        let level = 0.7 * sample / peak * left * left;
        writer.write_sample((level * 32_767.0).round() as i16)?;
    }
    writer.finalize()
}

/// A string: noise going round a delay line that softens it at each turn.
fn pluck(pitch: f64, seed: u64, into: &mut [f64]) {
    let length = (f64::from(RATE) / pitch - 0.5).round() as usize;
    let mut state = seed;
    let mut last = 0.0;
    let mut line: Vec<f64> = (0..length)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let noise = (state >> 11) as f64 * 2_f64.powi(-52) - 1.0;
            // A soft pick.
            last = 0.6 * last + 0.4 * noise;
            last
        })
        .collect();
    for (k, sample) in into.iter_mut().enumerate() {
        let here = k % length;
        let next = (k + 1) % length;
        let out = line[here];
        line[here] = 0.998 * 0.5 * (out + line[next]);
        *sample += out;
    }
}
