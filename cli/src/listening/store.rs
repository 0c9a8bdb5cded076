//! Rendered sound on its way to the file: volts in a nameless temporary file, gone with the program.

use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Volts of all channels, frame after frame. A float of 32 bits keeps them to 150 dB.
#[derive(Debug)]
pub(super) struct Store {
    file: File,
    channels: usize,
    sums: Vec<f64>,
    frames: u64,
}

impl Store {
    /// In that folder, which the final file goes to as well: where there is room for one there is mostly room
    /// for the other.
    pub(super) fn new(folder: &Path, channels: usize) -> std::io::Result<Self> {
        Ok(Self {
            file: tempfile::tempfile_in(folder)?,
            channels,
            sums: vec![0.0; channels],
            frames: 0,
        })
    }

    /// Adds frames, taking them from the beginning of a column for each channel.
    pub(super) fn add<'c>(
        &mut self,
        frames: usize,
        columns: impl Iterator<Item = &'c mut Vec<f64>>,
    ) -> std::io::Result<()> {
        let mut columns: Vec<&mut Vec<f64>> = columns.collect();
        let mut writer = BufWriter::new(&mut self.file);
        for frame in 0..frames {
            for (column, sum) in columns.iter().zip(&mut self.sums) {
                let volts = column[frame];
                *sum += volts;
                #[allow(clippy::cast_possible_truncation, reason = "24 bits of volts")]
                writer.write_all(&(volts as f32).to_le_bytes())?;
            }
        }
        writer.flush()?;
        for column in &mut columns {
            column.drain(..frames);
        }
        self.frames += frames as u64;
        Ok(())
    }

    pub(super) fn frames(&self) -> u64 {
        self.frames
    }

    pub(super) fn channels(&self) -> usize {
        self.channels
    }

    /// Mean volts of each channel.
    pub(super) fn means(&self) -> Vec<f64> {
        let count = (self.frames as f64).max(1.0);
        self.sums.iter().map(|sum| sum / count).collect()
    }

    /// From its beginning.
    pub(super) fn reader(&mut self) -> std::io::Result<Reader<'_>> {
        self.file.seek(SeekFrom::Start(0))?;
        Ok(Reader {
            left: self.frames,
            channels: self.channels,
            file: BufReader::new(&mut self.file),
            bytes: Vec::new(),
        })
    }
}

/// A store while it is read.
pub(super) struct Reader<'a> {
    file: BufReader<&'a mut File>,
    left: u64,
    channels: usize,
    bytes: Vec<u8>,
}

impl Reader<'_> {
    /// Up to `frames` frames, interleaved, V; false at the end.
    pub(super) fn read(&mut self, frames: usize, volts: &mut Vec<f64>) -> std::io::Result<bool> {
        let frames = self.left.min(frames as u64) as usize;
        self.left -= frames as u64;
        self.bytes.resize(4 * frames * self.channels, 0);
        self.file.read_exact(&mut self.bytes)?;
        volts.clear();
        volts.extend(
            self.bytes
                .chunks_exact(4)
                .map(|four| f64::from(f32::from_le_bytes([four[0], four[1], four[2], four[3]]))),
        );
        Ok(frames > 0)
    }
}
