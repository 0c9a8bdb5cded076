//! Base64, for bytes in a text.
//!
//! Source    RFC 4648, section 4

const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// The bytes as text.
pub(super) fn encode(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let byte = |place: usize| u32::from(three.get(place).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for place in 0..4 {
            let six = (bits >> (18 - 6 * place)) & 63;
            text.push(if place <= three.len() {
                char::from(ALPHABET[six as usize])
            } else {
                '='
            });
        }
    }
    text
}

/// For `serde`.
pub(super) fn serialize<S: serde::Serializer>(
    bytes: &[u8],
    serializer: S,
) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&encode(bytes))
}

#[cfg(test)]
mod tests {
    use super::encode;

    /// RFC 4648, section 10 (from memory).
    #[test]
    fn vectors_of_the_standard() {
        for (plain, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(encode(plain.as_bytes()), text);
        }
        assert_eq!(encode(&[0xfb, 0xff, 0xbf]), "+/+/");
    }
}
