//! Pictures with axes of their own, one above the other in one file.

/// Joins pictures of one width, each a whole SVG of so many pixels shown, the first on top.
pub(crate) fn stacked(pictures: &[String]) -> String {
    let mut body = String::new();
    let (mut width, mut height) = (0, 0);
    for picture in pictures {
        let (wide, high) = (side(picture, "width"), side(picture, "height"));
        body += &picture.replacen("<svg ", &format!("<svg y=\"{height}\" "), 1);
        width = width.max(wide);
        height += high;
    }
    format!(
        "<svg width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {width} {height}\" xmlns=\"http://www.w3.org/2000/svg\">\n{body}</svg>\n"
    )
}

/// A side of a picture, pixels; zero when it does not say.
fn side(picture: &str, name: &str) -> u32 {
    picture
        .split_once(&format!(" {name}=\""))
        .and_then(|(_, rest)| rest.split_once('"'))
        .and_then(|(number, _)| number.parse().ok())
        .unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::stacked;

    #[test]
    fn the_second_stands_below_the_first() {
        let picture = |high: u32, inside: &str| {
            format!(
                "<svg width=\"800\" height=\"{high}\" viewBox=\"0 0 8 {high}\">{inside}</svg>\n"
            )
        };
        let both = stacked(&[picture(500, "<a/>"), picture(300, "<b/>")]);
        assert!(both.starts_with("<svg width=\"800\" height=\"800\" viewBox=\"0 0 800 800\""));
        assert!(
            both.contains("<svg y=\"0\" width=\"800\" height=\"500\""),
            "{both}"
        );
        assert!(
            both.contains("<svg y=\"500\" width=\"800\" height=\"300\""),
            "{both}"
        );
        assert_eq!(both.matches("</svg>").count(), 3);
    }
}
