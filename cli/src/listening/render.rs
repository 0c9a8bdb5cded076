//! The whole recording through the amplifier, into a store.

use std::path::Path as Folder;
use std::time::Instant;

use measure::UnderTest;
use measure::driven::playback::{Meters, PlaybackOf, Start, linear, resting_output};
use rayon::prelude::*;
use sim::SimError;

use super::BLOCK;
use super::chain::{Chain, Path};
use super::closed_box::{ClosedBox, Filter};
use super::grid::Grid;
use super::recording::Recording;
use super::store::Store;
use crate::failure::Failure;

/// What is rendered and how.
pub(crate) struct Render<'r> {
    pub(crate) recording: &'r Recording,
    pub(crate) amplifier: &'r UnderTest<'r>,
    /// Volts of the generator for full scale.
    pub(crate) drive: f64,
    pub(crate) grid: Grid,
    pub(crate) start: Start,
    /// The linear amplifier as well, for what is added and for what is not.
    pub(crate) linear: bool,
    pub(crate) closed_box: Option<ClosedBox>,
    /// Where temporary files go.
    pub(crate) folder: &'r Folder,
}

/// What came out.
#[derive(Debug)]
pub(crate) struct Rendered {
    /// About rest.
    pub(super) whole: Store,
    pub(super) linear: Option<Store>,
    /// Volts at the load at rest; none behind a box, which passes no steady pressure.
    pub(super) resting: f64,
    /// Of each channel: the multiple of the linear output that fits the whole best.
    pub(super) fit: Vec<f64>,
    /// Of each channel.
    pub(crate) meters: Vec<Meters>,
    /// Time it took, s.
    pub(crate) took: f64,
}

/// Sums for the best fit of one channel.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    count: f64,
    whole: f64,
    linear: f64,
    both: f64,
    square: f64,
}

impl Sums {
    fn add(&mut self, whole: &[f64], linear: &[f64]) {
        for (o, l) in whole.iter().zip(linear) {
            self.count += 1.0;
            self.whole += o;
            self.linear += l;
            self.both += o * l;
            self.square += l * l;
        }
    }

    /// Covariance over variance: least squares with a constant let free.
    fn fit(&self) -> f64 {
        let variance = self.square - self.linear * self.linear / self.count;
        if variance > 0.0 {
            (self.both - self.whole * self.linear / self.count) / variance
        } else {
            0.0
        }
    }
}

/// A channel under way.
struct Lane<'a> {
    whole: Chain<'a>,
    linear: Option<Chain<'a>>,
    boxes: [Option<Filter>; 2],
    /// Volts at the load at rest.
    resting: f64,
    input: Vec<f64>,
    output: Vec<f64>,
    ideal: Vec<f64>,
    sums: Sums,
}

impl Lane<'_> {
    /// Samples that have come out of all there is.
    fn of(&self) -> usize {
        match self.linear {
            Some(_) => self.output.len().min(self.ideal.len()),
            None => self.output.len(),
        }
    }

    /// Plays what is in `input`, or to the end when it is the last of it.
    fn play(&mut self, last: bool) -> Result<(), SimError> {
        let from = (self.output.len(), self.ideal.len());
        self.whole.play(&self.input, &mut self.output)?;
        if last {
            self.whole.finish(&mut self.output)?;
        }
        if let Some(linear) = &mut self.linear {
            linear.play(&self.input, &mut self.ideal)?;
            if last {
                linear.finish(&mut self.ideal)?;
            }
        }
        // What stands there all the time would cost the sound its last digits in the store.
        for volts in &mut self.output[from.0..] {
            *volts -= self.resting;
        }
        if let Some(filter) = &mut self.boxes[0] {
            filter.pass(&mut self.output[from.0..]);
        }
        if let Some(filter) = &mut self.boxes[1] {
            filter.pass(&mut self.ideal[from.1..]);
        }
        Ok(())
    }
}

/// Plays it all; both channels at once. `progress` is told the frames done.
///
/// # Errors
/// Those of the recording, of the amplifier and of the temporary file.
pub(crate) fn render(of: &Render<'_>, progress: &dyn Fn(u64)) -> Result<Rendered, Failure> {
    let began = Instant::now();
    let (rate, times) = (of.recording.rate(), of.grid.times);
    let channels = of.recording.channels();
    let how = PlaybackOf {
        start: of.start,
        ..PlaybackOf::at(of.grid.rate)
    };
    let resting = resting_output(of.amplifier);
    let filter = || of.closed_box.map(|of| of.filter(f64::from(rate)));
    let mut lanes = (0..channels)
        .map(|_| {
            let whole = Path::Whole(Box::new(how.player(of.amplifier)?));
            let mut whole = Chain::new(whole, of.drive, rate, times);
            if of.start == Start::Dead {
                whole = whole.switched_on();
            }
            let linear = if of.linear {
                let path = Path::Linear(Box::new(linear(of.amplifier, of.grid.rate)?));
                Some(Chain::new(path, of.drive, rate, times))
            } else {
                None
            };
            Ok(Lane {
                whole: whole.metered(of.recording.frames(), times),
                linear,
                boxes: [filter(), filter()],
                resting,
                input: Vec::new(),
                output: Vec::new(),
                ideal: Vec::new(),
                sums: Sums::default(),
            })
        })
        .collect::<Result<Vec<_>, Failure>>()?;
    let store = || {
        Store::new(of.folder, channels).map_err(|error| Failure::Output {
            path: Some(of.folder.to_owned()),
            error,
        })
    };
    let mut whole = store()?;
    let mut linear = if of.linear { Some(store()?) } else { None };

    let mut reading = of.recording.read_from(0)?;
    let mut columns = vec![Vec::new(); channels];
    let mut done = 0;
    while done < of.recording.frames() {
        done += reading.read(BLOCK, &mut columns)? as u64;
        for (lane, column) in lanes.iter_mut().zip(&mut columns) {
            std::mem::swap(&mut lane.input, column);
        }
        let last = done == of.recording.frames();
        lanes
            .par_iter_mut()
            .map(|lane| lane.play(last))
            .collect::<Result<Vec<()>, SimError>>()?;
        for (lane, column) in lanes.iter_mut().zip(&mut columns) {
            std::mem::swap(&mut lane.input, column);
        }
        // The two ways come out in blocks of their own; what only one has brought waits for the other.
        let of = lanes.iter().map(Lane::of).min().unwrap_or(0);
        if let Some(linear) = &mut linear {
            for lane in &mut lanes {
                lane.sums.add(&lane.output[..of], &lane.ideal[..of]);
            }
            linear.add(of, lanes.iter_mut().map(|lane| &mut lane.ideal))?;
        }
        whole.add(of, lanes.iter_mut().map(|lane| &mut lane.output))?;
        progress(done);
    }
    let meters = lanes
        .iter()
        .filter_map(|lane| match lane.whole.path() {
            Path::Whole(player) => Some(player.meters()),
            Path::Linear(_) => None,
        })
        .collect();
    Ok(Rendered {
        whole,
        linear,
        resting: if of.closed_box.is_some() {
            0.0
        } else {
            resting
        },
        fit: lanes.iter().map(|lane| lane.sums.fit()).collect(),
        meters,
        took: began.elapsed().as_secs_f64(),
    })
}
