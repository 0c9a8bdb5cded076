//! The page of an audition: one file with everything in it, that asks nothing of any network.
//!
//! The tracks are data in the page; its script takes them out, shuffles them, and keeps the order to itself.

use serde::Serialize;

mod base64;

const HTML: &str = include_str!("page.html");
const STYLE: &str = include_str!("page.css");
/// The statistics, by themselves so that they can be checked by themselves.
const ODDS: &str = include_str!("odds.js");
const SCRIPT: &str = include_str!("page.js");

/// Bytes of sound in a page: beyond it browsers take long to open one, and phones give up. Common practice, no source.
const MOST_BYTES: f64 = 100e6;

/// Bytes of a sample in the page: 16 bits.
const SAMPLE: f64 = 2.0;

/// Characters of base64 for a byte.
const BASE64: f64 = 4.0 / 3.0;

/// One sound of the page. All of one page have the same rate, channels and length, to the sample.
#[derive(Debug, Serialize)]
pub(crate) struct Track {
    /// What it is; hidden until the listener asks for it.
    pub(crate) name: String,
    /// More about it, shown with the name.
    pub(crate) description: String,
    /// A whole WAV file.
    #[serde(serialize_with = "base64::serialize")]
    pub(crate) wav: Vec<u8>,
}

/// What the page says about its tracks. Nothing here tells which is which.
#[derive(Debug, Serialize)]
pub(crate) struct Conditions {
    /// The recording.
    pub(crate) recording: String,
    /// A line under the title.
    pub(crate) summary: String,
    /// Frames a second.
    pub(crate) rate: u32,
    /// Name and value: level, loudness, match.
    pub(crate) facts: Vec<(String, String)>,
    /// A heading and a row for each amplifier, in the order given.
    pub(crate) table: Vec<Vec<String>>,
    /// What was assumed, a text for each amplifier.
    pub(crate) assumed: Vec<String>,
}

/// Seconds of so many tracks that fit a page.
pub(crate) fn longest(tracks: usize, channels: usize, rate: u32) -> f64 {
    MOST_BYTES / (BASE64 * SAMPLE * channels as f64 * f64::from(rate) * tracks as f64)
}

/// The page. Costs about twice its length in memory.
pub(crate) fn html(tracks: &[Track], conditions: &Conditions) -> String {
    #[derive(Serialize)]
    struct Data<'a> {
        tracks: &'a [Track],
        conditions: &'a Conditions,
    }
    let data = serde_json::to_string(&Data { tracks, conditions })
        .expect("tracks and conditions are plain structures")
        // Nothing in a name may end the element that holds it.
        .replace('<', "\\u003c");
    let script = format!("{ODDS}\n{SCRIPT}");
    let mut page = String::with_capacity(data.len() + HTML.len() + STYLE.len() + script.len());
    let mut rest = HTML;
    for (place, content) in [
        ("{{style}}", STYLE),
        ("{{data}}", &data),
        ("{{script}}", &script),
    ] {
        let (before, after) = rest
            .split_once(place)
            .expect("the page has each place once");
        page.push_str(before);
        page.push_str(content);
        rest = after;
    }
    page.push_str(rest);
    page
}

#[cfg(test)]
mod tests {
    use super::{Conditions, Track, html, longest};

    fn page(name: &str) -> String {
        let track = Track {
            name: name.to_owned(),
            description: "described".to_owned(),
            wav: vec![1, 2, 3],
        };
        let conditions = Conditions {
            recording: "music.wav".to_owned(),
            summary: String::new(),
            rate: 48_000,
            facts: Vec::new(),
            table: Vec::new(),
            assumed: Vec::new(),
        };
        html(&[track], &conditions)
    }

    #[test]
    fn no_name_can_leave_its_element() {
        let page = page("</script><script>alert(1)</script>");
        assert!(!page.contains("</script><script>alert"), "it is escaped");
        assert_eq!(page.matches("</script>").count(), 2, "data and script");
    }

    #[test]
    fn the_page_asks_nothing_of_a_network() {
        let page = page("one");
        for word in [
            "http:",
            "https:",
            "src=",
            "fetch(",
            "XMLHttpRequest",
            "@import",
            "url(",
        ] {
            assert!(!page.contains(word), "{word}");
        }
        assert!(page.contains("default-src 'none'"));
        assert!(!page.contains("{{"), "every place is filled");
        assert!(page.contains(r#""wav":"AQID""#), "base64 of 1, 2, 3");
    }

    #[test]
    fn a_page_of_four_stereo_tracks_holds_two_minutes_and_no_more_than_three() {
        let seconds = longest(4, 2, 44_100);
        assert!((100.0..180.0).contains(&seconds), "{seconds}");
    }
}
