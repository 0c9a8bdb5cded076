//! The recording itself beside what amplifiers make of it: in a store, as if it had been played through a wire.

use super::BLOCK;
use super::closed_box::ClosedBox;
use super::recording::Recording;
use super::render::Rendered;
use super::store::Store;
use crate::failure::Failure;

/// The recording as rendered sound, a volt for full scale; through the same box, if there is one.
///
/// # Errors
/// Those of the recording and of the temporary file.
pub(crate) fn original(
    recording: &Recording,
    closed_box: Option<ClosedBox>,
    folder: &std::path::Path,
) -> Result<Rendered, Failure> {
    let channels = recording.channels();
    let mut whole = Store::new(folder, channels).map_err(|error| Failure::Output {
        path: Some(folder.to_owned()),
        error,
    })?;
    let mut boxes = vec![closed_box.map(|of| of.filter(f64::from(recording.rate()))); channels];
    let mut reading = recording.read_from(0)?;
    let mut columns = vec![Vec::new(); channels];
    loop {
        let count = reading.read(BLOCK, &mut columns)?;
        if count == 0 {
            break;
        }
        for (column, of) in columns.iter_mut().zip(&mut boxes) {
            if let Some(filter) = of {
                filter.pass(column);
            }
        }
        whole.add(count, columns.iter_mut())?;
    }
    Ok(Rendered {
        whole,
        linear: None,
        resting: 0.0,
        fit: Vec::new(),
        meters: Vec::new(),
        took: 0.0,
    })
}

impl Rendered {
    /// Whether it is the other turned round: they disagree in sign for more of their power than they agree.
    ///
    /// # Errors
    /// Those of the temporary files.
    pub(crate) fn opposes(&mut self, other: &mut Self) -> Result<bool, Failure> {
        let channels = self.whole.channels();
        let means = [self.whole.means(), other.whole.means()];
        let (mut here, mut there) = (self.whole.reader()?, other.whole.reader()?);
        let (mut a, mut b) = (Vec::new(), Vec::new());
        let mut product = 0.0;
        while here.read(BLOCK, &mut a)? && there.read(BLOCK, &mut b)? {
            for (k, (a, b)) in a.iter().zip(&b).enumerate() {
                product += (a - means[0][k % channels]) * (b - means[1][k % channels]);
            }
        }
        Ok(product < 0.0)
    }
}
