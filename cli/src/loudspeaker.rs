//! The loudspeaker joined instead of the load, and where its figures come from.
//!
//! On the command line it is the rated impedance and the keys of the file's loudspeaker line joined by
//! commas, `15R,re=10R,fs=45Hz`: the same words as in the file, without the braces and quotes that a
//! shell would take for its own. What is not given is taken from a typical loudspeaker and marked.

use serde::Serialize;
use sim::amplifier::{Note, NoteKind};
use sim::parts::Loudspeaker;
use sim::quantity::{Unit, engineering};

use crate::argument::quantity;
use crate::diagnostic::Id;
use crate::failure::Failure;

/// A key of a loudspeaker, its unit and its place.
type Key = (&'static str, Unit, fn(&mut Loudspeaker) -> &mut f64);

const KEYS: [Key; 5] = [
    ("re", Unit::Ohm, |of| &mut of.re),
    ("le", Unit::Henry, |of| &mut of.le),
    ("fs", Unit::Hertz, |of| &mut of.fs),
    ("qms", Unit::Number, |of| &mut of.qms),
    ("qes", Unit::Number, |of| &mut of.qes),
];

/// A loudspeaker with its origin.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Described {
    /// Designator in the file; none when it is not in it.
    part: Option<String>,
    rated: f64,
    re: f64,
    le: f64,
    fs: f64,
    qms: f64,
    qes: f64,
    /// Keys nobody gave.
    assumed: Vec<&'static str>,
}

impl Described {
    /// A typical one of this rating, Ω: an assumption from end to end.
    pub(crate) fn assumed(rated: f64) -> Self {
        let all = KEYS.iter().map(|(key, ..)| *key).collect();
        Self::new(None, &Loudspeaker::typical(rated), all)
    }

    /// The load of the file.
    pub(crate) fn of_file(name: &str, speaker: &Loudspeaker, notes: &[Note]) -> Self {
        let assumed = notes
            .iter()
            .filter(|note| note.part == name)
            .filter_map(|note| {
                let NoteKind::Assumed { key, .. } = &note.kind else {
                    return None;
                };
                KEYS.iter().map(|(k, ..)| *k).find(|k| k == key)
            })
            .collect();
        Self::new(Some(name.to_owned()), speaker, assumed)
    }

    /// From the command line.
    pub(crate) fn given(text: &str) -> Result<Self, Failure> {
        let mut items = text.split(',').map(str::trim);
        let rated = value("rating", items.next().unwrap_or_default(), Unit::Ohm)?;
        let mut speaker = Loudspeaker::typical(rated);
        let mut assumed: Vec<&'static str> = KEYS.iter().map(|(key, ..)| *key).collect();
        for item in items {
            let known = item.split_once('=').and_then(|(key, text)| {
                let key = KEYS.iter().find(|(name, ..)| *name == key.trim())?;
                Some((key, text))
            });
            let Some(((key, unit, place), text)) = known else {
                return Err(Failure::plain(
                    Id::BadValue,
                    format!("--loudspeaker: `{item}` says nothing about a loudspeaker"),
                    "write e.g. 15R,re=10R,le=0.5mH,fs=45Hz,qms=4,qes=0.6",
                ));
            };
            *place(&mut speaker) = value(key, text, *unit)?;
            assumed.retain(|name| name != key);
        }
        Ok(Self::new(None, &speaker, assumed))
    }

    fn new(part: Option<String>, speaker: &Loudspeaker, assumed: Vec<&'static str>) -> Self {
        Self {
            part,
            rated: speaker.rated,
            re: speaker.re,
            le: speaker.le,
            fs: speaker.fs,
            qms: speaker.qms,
            qes: speaker.qes,
            assumed,
        }
    }

    pub(crate) fn speaker(&self) -> Loudspeaker {
        Loudspeaker {
            re: self.re,
            le: self.le,
            fs: self.fs,
            qms: self.qms,
            qes: self.qes,
            rated: self.rated,
        }
    }

    pub(crate) fn is_assumed(&self) -> bool {
        self.assumed.len() == KEYS.len()
    }

    /// What to call it at the start of a sentence.
    pub(crate) fn name(&self) -> String {
        let rated = engineering(self.rated, Unit::Ohm);
        match &self.part {
            Some(part) => format!("The loudspeaker {part}"),
            None if self.is_assumed() => format!("A typical {rated} loudspeaker (assumed)"),
            None => format!("The {rated} loudspeaker given"),
        }
    }

    /// What to call it among the conditions of a picture.
    pub(crate) fn in_conditions(&self) -> String {
        let assumed = if self.is_assumed() { ", assumed" } else { "" };
        let rated = engineering(self.rated, Unit::Ohm);
        format!("loudspeaker of {rated}{assumed}")
    }

    /// Its figures, and which are assumed.
    pub(crate) fn words(&self) -> String {
        let mut speaker = self.speaker();
        let figures: Vec<String> = KEYS
            .iter()
            .map(|(key, unit, place)| format!("{key} {}", engineering(*place(&mut speaker), *unit)))
            .collect();
        let assumed = match self.assumed.as_slice() {
            [] => String::new(),
            _ if self.is_assumed() => "; all assumed, see --loudspeaker".to_owned(),
            keys => format!("; assumed: {}", keys.join(", ")),
        };
        format!(
            "Loudspeaker: rated {}, {}{assumed}.",
            engineering(self.rated, Unit::Ohm),
            figures.join(", ")
        )
    }
}

/// A positive value of a key; the inductance may be zero.
fn value(key: &str, text: &str, unit: Unit) -> Result<f64, Failure> {
    let least = if key == "le" { 0.0 } else { f64::MIN_POSITIVE };
    quantity(&format!("--loudspeaker {key}"), text.trim(), unit, least)
}
