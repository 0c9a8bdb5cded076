//! One channel on its way: to a finer grid, through the amplifier, back to the rate of the recording, in step
//! with it to the sample.

use measure::driven::playback::{LinearPlayer, Player};
use rubato::audioadapter_buffers::direct::SequentialSlice;
use rubato::{Fft, FixedSync, Resampler, WindowFunction};
use sim::SimError;

/// Length of the filters between the two grids, samples of the recording: the band is flat to 99 % of half
/// its rate, and what lies beyond is 100 dB down (seen by test).
const FILTER: usize = 1024;

/// What is played through.
pub(super) enum Path<'a> {
    /// The whole amplifier.
    Whole(Box<Player<'a>>),
    /// The linear one it is to small signals.
    Linear(Box<LinearPlayer<'a>>),
}

impl Path<'_> {
    /// Samples of its own grid by which it comes late.
    fn latency(&self) -> usize {
        match self {
            Self::Whole(_) => Player::LATENCY,
            Self::Linear(_) => 0,
        }
    }

    fn play(&mut self, input: &[f64], output: &mut [f64]) -> Result<(), SimError> {
        match self {
            Self::Whole(player) => player.play(input, output),
            Self::Linear(player) => {
                player.play(input, output);
                Ok(())
            }
        }
    }
}

/// A channel under way.
pub(super) struct Chain<'a> {
    path: Path<'a>,
    /// Volts of the generator for full scale.
    drive: f64,
    /// None where the recording's own rate is fine enough.
    grids: Option<Grids>,
    /// Input that fills no block yet.
    waiting: Vec<f64>,
    /// Output of the amplifier that fills no block yet.
    played: Vec<f64>,
    /// Samples of the amplifier still to be dropped, then samples of the output.
    early: usize,
    late: usize,
    /// Samples of the grid that pass before the first of the recording arrives, and through which an amplifier that is
    /// switched on with it is still dead.
    lead: usize,
    dead: usize,
    taken: u64,
    given: u64,
}

/// The two ways between the grids, with a block each.
struct Grids {
    times: usize,
    up: Fft<f64>,
    down: Fft<f64>,
    fine: Vec<f64>,
    coarse: Vec<f64>,
}

impl<'a> Chain<'a> {
    /// `rate` is that of the recording, `times` how much finer the grid of the amplifier is.
    pub(super) fn new(path: Path<'a>, drive: f64, rate: u32, times: u32) -> Self {
        let grids = (times > 1).then(|| Grids::new(rate as usize, times as usize));
        Self {
            early: path.latency(),
            late: grids.as_ref().map_or(0, Grids::latency),
            lead: grids.as_ref().map_or(0, |grids| grids.up.output_delay()),
            dead: 0,
            path,
            drive,
            grids,
            waiting: Vec::new(),
            played: Vec::new(),
            taken: 0,
            given: 0,
        }
    }

    /// Switches the amplifier on with the first sample and not before it.
    pub(super) fn switched_on(mut self) -> Self {
        self.dead = self.lead;
        self
    }

    /// Lets the meters read the recording alone, of so many frames, and not the silence around it.
    pub(super) fn metered(mut self, frames: u64, times: u32) -> Self {
        let from = (self.lead - self.dead) as u64;
        if let Path::Whole(player) = &mut self.path {
            player.meter_only(from..from + frames * u64::from(times));
        }
        self
    }

    /// What was played through.
    pub(super) fn path(&self) -> &Path<'a> {
        &self.path
    }

    /// Takes samples of the recording, full scale 1, and adds what comes out, V, to `output`.
    ///
    /// # Errors
    /// Those of the amplifier.
    pub(super) fn play(&mut self, input: &[f64], output: &mut Vec<f64>) -> Result<(), SimError> {
        self.taken += input.len() as u64;
        let before = output.len();
        self.pass(input, output)?;
        self.given += (output.len() - before) as u64;
        Ok(())
    }

    /// Plays silence until as many samples have come out as went in.
    ///
    /// # Errors
    /// Those of the amplifier.
    pub(super) fn finish(&mut self, output: &mut Vec<f64>) -> Result<(), SimError> {
        while self.given < self.taken {
            let before = output.len();
            self.pass(&[0.0; FILTER], output)?;
            let missing = (self.taken - self.given) as usize;
            output.truncate(before + missing);
            self.given += (output.len() - before) as u64;
        }
        Ok(())
    }

    fn pass(&mut self, input: &[f64], output: &mut Vec<f64>) -> Result<(), SimError> {
        let drive = self.drive;
        let from = output.len();
        if let Some(grids) = &mut self.grids {
            self.waiting
                .extend(input.iter().map(|sample| drive * sample));
            let mut blocks = self.waiting.chunks_exact(FILTER);
            for block in &mut blocks {
                grids.up(block);
                let start = self.played.len();
                self.played.resize(start + grids.fine.len(), 0.0);
                let dead = self.dead.min(grids.fine.len());
                self.dead -= dead;
                self.path
                    .play(&grids.fine[dead..], &mut self.played[start + dead..])?;
                drop_first(&mut self.played, 0, &mut self.early);
                while self.played.len() >= grids.fine.len() {
                    grids.down(&self.played);
                    self.played.drain(..grids.fine.len());
                    output.extend_from_slice(&grids.coarse);
                }
            }
            let done = self.waiting.len() - blocks.remainder().len();
            self.waiting.drain(..done);
        } else {
            self.waiting.clear();
            self.waiting
                .extend(input.iter().map(|sample| drive * sample));
            output.resize(from + input.len(), 0.0);
            self.path.play(&self.waiting, &mut output[from..])?;
            drop_first(output, from, &mut self.early);
        }
        drop_first(output, from, &mut self.late);
        Ok(())
    }
}

/// Drops up to `count` samples of the list behind `from`.
fn drop_first(list: &mut Vec<f64>, from: usize, count: &mut usize) {
    let now = (*count).min(list.len() - from);
    list.drain(from..from + now);
    *count -= now;
}

impl Grids {
    fn new(rate: usize, times: usize) -> Self {
        let make = |from, to, block| {
            Fft::new_custom(
                from,
                to,
                block,
                1,
                1,
                WindowFunction::BlackmanHarris2,
                FixedSync::Both,
            )
            .expect("whole multiples of a rate that is not zero")
        };
        Self {
            times,
            up: make(rate, times * rate, FILTER),
            down: make(times * rate, rate, times * FILTER),
            fine: vec![0.0; times * FILTER],
            coarse: vec![0.0; FILTER],
        }
    }

    /// Samples of the recording by which both ways together come late.
    fn latency(&self) -> usize {
        self.up.output_delay() / self.times + self.down.output_delay()
    }

    fn up(&mut self, block: &[f64]) {
        convert(&mut self.up, block, &mut self.fine);
    }

    fn down(&mut self, played: &[f64]) {
        let block = &played[..self.fine.len()];
        convert(&mut self.down, block, &mut self.coarse);
    }
}

fn convert(by: &mut Fft<f64>, from: &[f64], to: &mut [f64]) {
    let frames = to.len();
    let from = SequentialSlice::new(from, 1, from.len()).expect("one channel of that length");
    let mut to = SequentialSlice::new_mut(to, 1, frames).expect("one channel of that length");
    by.process_into_buffer(&from, &mut to, None)
        .expect("whole blocks of the agreed length");
}
