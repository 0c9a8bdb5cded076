//! An amplifier at rest, its generator about to give a tone of 1 kHz.

use sim::amplifier::Amplifier;
use sim::operating_point::operating_point;
use sim::parts::Waveform;
use sim::system::Workspace;
use sim::{System, Tolerances};

/// `amplitude`: peak of the generator, V.
pub(crate) fn driven(amplifier: &Amplifier, system: &System, amplitude: f64) -> Workspace {
    let mut ws = system.workspace();
    operating_point(system, &Tolerances::default(), &mut ws).expect("the amplifier has a rest");
    let generator = system
        .sources()
        .position(|part| part == amplifier.bench.generator)
        .expect("the bench has a generator");
    ws.waveforms[generator] = Waveform::Sine {
        amplitude,
        frequency: 1e3,
        phase: 0.0,
        offset: 0.0,
    };
    ws
}
