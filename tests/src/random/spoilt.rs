//! Files as a slip of the hand, or of a disk, leaves them: text with a few things changed by lot.

use super::dice::Dice;

/// What stands where a number stood.
const NUMBERS: &[&str] = &[
    "0",
    "-1",
    "1e308",
    "1e-308",
    "NaN",
    "inf",
    "-inf",
    "1e999",
    "0x10",
    "4k7",
    "4,7",
    "1_000",
    "",
    "999999999999999999999",
    "0.0000001",
    "½",
    "1e",
    ".",
];

/// What comes between.
const SPLINTERS: &[&str] = &[
    "\"",
    "'",
    "[",
    "]",
    "{",
    "}",
    "=",
    ",",
    "#",
    "\n",
    "\\",
    "\u{0}",
    "\u{7f}",
    "µ",
    "Ω",
    "\u{feff}",
    "\t",
    "[parts]",
    "[[bench]]",
    "\"\"\"",
    "..",
    "-",
    "k",
    "chassis",
    "valve",
    "\r\n",
    "𝄞",
    "\u{202e}",
    " = ",
    "\"ht\"",
    "[]",
    "{}",
];

/// Where something begins and ends, in bytes.
type Place = (usize, usize);

/// Every stretch of text that this holds of.
fn stretches(text: &str, is_in: impl Fn(char) -> bool) -> Vec<Place> {
    let mut found = Vec::new();
    let mut start = None;
    for (at, letter) in text.char_indices() {
        match (is_in(letter), start) {
            (true, None) => start = Some(at),
            (false, Some(from)) => {
                found.push((from, at));
                start = None;
            }
            (true, Some(_)) | (false, None) => {}
        }
    }
    found.extend(start.map(|from| (from, text.len())));
    found
}

fn words(text: &str) -> Vec<Place> {
    stretches(text, |letter| letter.is_alphanumeric() || letter == '_')
}

fn numbers(text: &str) -> Vec<Place> {
    stretches(text, |letter| letter.is_ascii_digit() || letter == '.')
}

/// Each line with its end.
fn lines(text: &str) -> Vec<Place> {
    let mut at = 0;
    let lines = text.split_inclusive('\n').map(|line| {
        let from = at;
        at += line.len();
        (from, at)
    });
    lines.collect()
}

/// A place between two characters, or at either end.
fn boundary(text: &str, dice: &mut Dice) -> usize {
    let mut at = dice.below(text.len() + 1);
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

fn put(text: &str, (from, to): Place, instead: &str) -> String {
    format!("{}{instead}{}", &text[..from], &text[to..])
}

/// A text with one to four things changed.
pub fn spoil(text: &str, dice: &mut Dice) -> String {
    let mut spoilt = text.to_owned();
    for _ in 0..=dice.below(4) {
        spoilt = once(&spoilt, dice);
    }
    spoilt
}

fn once(text: &str, dice: &mut Dice) -> String {
    let (words, numbers, lines) = (words(text), numbers(text), lines(text));
    if words.is_empty() || numbers.is_empty() || lines.len() < 2 {
        return format!("{text}{}", dice.pick(SPLINTERS));
    }
    let part = |(from, to): Place| &text[from..to];
    match dice.below(14) {
        // A line that is gone, twice there, or somewhere else.
        0 => put(text, *dice.pick(&lines), ""),
        1 => {
            let line = *dice.pick(&lines);
            put(text, line, &part(line).repeat(2))
        }
        2 => {
            let line = part(*dice.pick(&lines)).to_owned();
            let (at, _) = *dice.pick(&lines);
            put(text, (at, at), &line)
        }
        // A number that is another.
        3 | 4 => {
            let other = if dice.chance(0.5) {
                (*dice.pick(NUMBERS)).to_owned()
            } else {
                part(*dice.pick(&numbers)).to_owned()
            };
            put(text, *dice.pick(&numbers), &other)
        }
        // A word in place of another, as a key, a node or a type of valve.
        5..=7 => {
            let other = part(*dice.pick(&words)).to_owned();
            put(text, *dice.pick(&words), &other)
        }
        // A word that is gone, or misspelt.
        8 => put(text, *dice.pick(&words), ""),
        9 => {
            let (from, to) = *dice.pick(&words);
            let letters: Vec<char> = part((from, to)).chars().collect();
            let at = dice.below(letters.len());
            let mut letters = letters;
            if dice.chance(0.5) {
                letters.remove(at);
            } else {
                letters[at] = *dice.pick(&['a', 'x', '0', 'k', 'µ', '-', '"']);
            }
            put(text, (from, to), &letters.into_iter().collect::<String>())
        }
        // A splinter, a gap, the end missing.
        10 | 11 => {
            let at = boundary(text, dice);
            let splinter = *dice.pick(SPLINTERS);
            put(text, (at, at), splinter)
        }
        12 => {
            let (a, b) = (boundary(text, dice), boundary(text, dice));
            let (from, to) = (a.min(b), a.max(b));
            let to = lines
                .iter()
                .map(|(_, end)| *end)
                .find(|end| *end >= from)
                .map_or(to, |end| end.min(to));
            put(text, (from, to), "")
        }
        _ => text[..boundary(text, dice)].to_owned(),
    }
}

/// Bytes with none to three changed, or the end missing.
pub fn spoil_bytes(bytes: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut spoilt = bytes.to_vec();
    for _ in 0..dice.below(4) {
        // What says how the rest is to be read stands at the beginning.
        let reach = if dice.chance(0.8) { 64 } else { spoilt.len() };
        let at = dice.below(reach.min(spoilt.len()).max(1));
        if let Some(byte) = spoilt.get_mut(at) {
            *byte = *dice.pick(&[0, 1, 2, 3, 8, 16, 24, 32, 0x7f, 0x80, 0xfe, 0xff]);
        }
    }
    if dice.chance(0.3) {
        spoilt.truncate(dice.below(spoilt.len().max(1)));
    }
    spoilt
}
