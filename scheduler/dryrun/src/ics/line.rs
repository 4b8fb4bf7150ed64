//! Content lines of RFC 5545: escaping and folding.

/// Longest line without its break, octets (RFC 5545 §3.1).
const MOST_OCTETS: usize = 75;

/// Text as a value (RFC 5545 §3.3.11). Other control characters than line
/// breaks may not stand there at all.
#[must_use]
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.replace("\r\n", "\n").chars() {
        match letter {
            '\\' => safe.push_str("\\\\"),
            ';' => safe.push_str("\\;"),
            ',' => safe.push_str("\\,"),
            '\n' | '\r' => safe.push_str("\\n"),
            c if c.is_control() => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

/// A content line with its break at the end, folded between letters so that no
/// part is longer than 75 octets.
#[must_use]
pub fn folded(line: &str) -> String {
    let mut out = String::with_capacity(line.len() + line.len() / 24 + 2);
    let mut octets = 0;
    for letter in line.chars() {
        let length = letter.len_utf8();
        if octets + length > MOST_OCTETS {
            out.push_str("\r\n ");
            octets = 1;
        }
        out.push(letter);
        octets += length;
    }
    out.push_str("\r\n");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_escaped_as_the_standard_has_it() {
        // RFC 5545 §3.3.11, its own example.
        let text = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared.";
        let want = "Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared.";
        assert_eq!(escaped(text), want);
        assert_eq!(escaped("a;b,c\\d\r\ne\u{7}"), "a\\;b\\,c\\\\d\\ne ");
    }

    #[test]
    fn lines_are_folded_between_letters_and_unfold_to_themselves() {
        for text in [
            "short",
            &"x".repeat(75),
            &"x".repeat(76),
            &"ä°→".repeat(60),
            "",
        ] {
            let line = format!("DESCRIPTION:{text}");
            let out = folded(&line);
            assert!(out.ends_with("\r\n"));
            for part in out.trim_end_matches("\r\n").split("\r\n") {
                assert!(part.len() <= 75, "{part:?}");
            }
            // RFC 5545 §3.1: unfolding takes out each line break with the blank after it.
            assert_eq!(out.trim_end_matches("\r\n").replace("\r\n ", ""), line);
        }
    }
}
