//! A small PNG writer for pictures of up to 256 colours (PNG, third edition:
//! ISO/IEC 15948), and base64 (RFC 4648 §4) to put them into a page.

use flate2::{Compression, Crc, write::ZlibEncoder};
use std::io::Write as _;

/// A picture: indices into a palette, row by row from the top.
#[derive(Clone, Debug)]
pub struct Picture {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// Red, green, blue.
    pub palette: Vec<[u8; 3]>,
    /// Places in the palette.
    pub pixels: Vec<u8>,
}

impl Picture {
    /// The picture as a PNG file.
    #[must_use]
    pub fn png(&self) -> Vec<u8> {
        let mut file = b"\x89PNG\r\n\x1a\n".to_vec();
        let mut header = Vec::with_capacity(13);
        for size in [self.width, self.height] {
            header.extend(u32::try_from(size).unwrap_or(u32::MAX).to_be_bytes());
        }
        // Eight bits, palette, and the only compression, filter and no interlace.
        header.extend([8, 3, 0, 0, 0]);
        chunk(&mut file, *b"IHDR", &header);
        chunk(&mut file, *b"PLTE", &self.palette.concat());
        let mut packed = ZlibEncoder::new(Vec::new(), Compression::best());
        // Writing to a Vec does not fail.
        for row in self.pixels.chunks(self.width.max(1)) {
            let _ = packed.write_all(&[0]);
            let _ = packed.write_all(row);
        }
        chunk(&mut file, *b"IDAT", &packed.finish().unwrap_or_default());
        chunk(&mut file, *b"IEND", &[]);
        file
    }

    /// The picture as a `data:` address.
    pub(super) fn address(&self) -> String {
        format!("data:image/png;base64,{}", base64(&self.png()))
    }
}

fn chunk(file: &mut Vec<u8>, name: [u8; 4], body: &[u8]) {
    file.extend(u32::try_from(body.len()).unwrap_or(u32::MAX).to_be_bytes());
    file.extend(name);
    file.extend(body);
    let mut sum = Crc::new();
    sum.update(&name);
    sum.update(body);
    file.extend(sum.sum().to_be_bytes());
}

/// Base64 with padding.
pub(super) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let byte = |index: usize| u32::from(three.get(index).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for place in 0..4 {
            let index = (bits >> (18 - 6 * place)) & 63;
            text.push(if place <= three.len() {
                char::from(LETTERS[index as usize])
            } else {
                '='
            });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    #[test]
    fn base64_as_in_the_standard() {
        // RFC 4648 §10.
        let table = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (text, want) in table {
            assert_eq!(base64(text.as_bytes()), want);
        }
    }

    #[test]
    fn a_picture_is_whole() {
        let picture = Picture {
            width: 2,
            height: 1,
            palette: vec![[0, 0, 0], [255, 255, 255]],
            pixels: vec![0, 1],
        };
        let png = picture.png();
        // Signature and header of ISO/IEC 15948 §5.2 and §11.2.2; the sum of the empty IEND is well known.
        assert_eq!(png[..8], *b"\x89PNG\r\n\x1a\n");
        assert_eq!(png[16..24], [0, 0, 0, 2, 0, 0, 0, 1]);
        assert_eq!(
            png[png.len() - 8..],
            [b'I', b'E', b'N', b'D', 0xAE, 0x42, 0x60, 0x82]
        );
        let begin = png.windows(4).position(|w| w == b"IDAT").unwrap();
        let mut rows = Vec::new();
        let mut decoder = flate2::read::ZlibDecoder::new(&png[begin + 4..]);
        std::io::Read::read_to_end(&mut decoder, &mut rows).unwrap();
        assert_eq!(rows, [0, 0, 1]);
    }
}
