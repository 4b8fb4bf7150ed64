//! Forms: what somebody sent, and what is said at which field.

use crate::failure::Failure;
use axum::extract::{FromRequest, Multipart, Request};
use axum::http::header;
use std::collections::BTreeMap;

/// More fields than any form of ours has.
const MOST_FIELDS: usize = 200;

/// What stands in a form. Of a field that comes twice, the last counts.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Fields {
    texts: BTreeMap<String, String>,
    /// Name that the sender's file had, and what stands in it.
    files: BTreeMap<String, (String, Vec<u8>)>,
}

impl Fields {
    /// Reads a form, urlencoded or in parts, of at most so many bytes.
    ///
    /// # Errors
    /// Why it is none.
    pub async fn read(request: Request, most: usize) -> Result<Self, Failure> {
        let kind = request.headers().get(header::CONTENT_TYPE);
        let in_parts = kind
            .and_then(|kind| kind.to_str().ok())
            .is_some_and(|kind| kind.starts_with("multipart/form-data"));
        if in_parts {
            return Self::parts(request, most).await;
        }
        let bytes = axum::body::to_bytes(request.into_body(), most)
            .await
            .map_err(|error| Failure::of("error.form").detail(error))?;
        Self::encoded(&bytes)
    }

    /// Reads an urlencoded form.
    ///
    /// # Errors
    /// Why it is none.
    pub fn encoded(bytes: &[u8]) -> Result<Self, Failure> {
        let mut fields = Self::default();
        for pair in bytes
            .split(|byte| *byte == b'&')
            .filter(|pair| !pair.is_empty())
        {
            let mut halves = pair.splitn(2, |byte| *byte == b'=');
            let name = decode(halves.next().unwrap_or_default())?;
            let value = decode(halves.next().unwrap_or_default())?;
            fields.put(name, value)?;
        }
        Ok(fields)
    }

    async fn parts(request: Request, most: usize) -> Result<Self, Failure> {
        let mut form = Multipart::from_request(request, &())
            .await
            .map_err(|error| broken(&error.body_text()))?;
        let mut fields = Self::default();
        let mut size = 0;
        while let Some(part) = form
            .next_field()
            .await
            .map_err(|error| broken(&error.body_text()))?
        {
            let name = part.name().unwrap_or_default().to_owned();
            let file = part.file_name().map(str::to_owned);
            let bytes = part
                .bytes()
                .await
                .map_err(|error| broken(&error.body_text()))?;
            size += bytes.len();
            if size > most {
                return Err(Failure::of("error.form_large").with("most", most >> 20));
            }
            if let Some(file) = file {
                fields.files.insert(name, (file, bytes.to_vec()));
            } else {
                let text = String::from_utf8(bytes.to_vec())
                    .map_err(|_| Failure::of("error.form_text"))?;
                fields.put(name, text)?;
            }
        }
        Ok(fields)
    }

    fn put(&mut self, name: String, value: String) -> Result<(), Failure> {
        if self.texts.len() >= MOST_FIELDS {
            return Err(Failure::of("error.form_fields"));
        }
        self.texts.insert(name, value);
        Ok(())
    }

    /// A field, without blanks around it; empty where it is missing.
    #[must_use]
    pub fn text(&self, name: &str) -> &str {
        self.texts.get(name).map_or("", |text| text.trim())
    }

    /// A field as it was sent, blanks and all: a password.
    #[must_use]
    pub fn raw(&self, name: &str) -> &str {
        self.texts.get(name).map_or("", String::as_str)
    }

    /// A field that is not empty.
    #[must_use]
    pub fn some(&self, name: &str) -> Option<&str> {
        Some(self.text(name)).filter(|text| !text.is_empty())
    }

    /// Whether a box is ticked.
    #[must_use]
    pub fn ticked(&self, name: &str) -> bool {
        self.texts.contains_key(name)
    }

    /// A file that came with it.
    #[must_use]
    pub fn file(&self, name: &str) -> Option<&[u8]> {
        self.files.get(name).map(|(_, bytes)| bytes.as_slice())
    }

    /// The name that the sender's file had.
    #[must_use]
    pub fn file_name(&self, name: &str) -> &str {
        self.files.get(name).map_or("", |(file, _)| file.as_str())
    }

    /// Sets a field, as if it had been sent.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl Into<String>) -> Self {
        self.texts.insert(name.to_owned(), value.into());
        self
    }
}

fn broken(why: &str) -> Failure {
    Failure::of("error.form").detail(why)
}

/// `+` and `%41` of a form or query.
fn decode(bytes: &[u8]) -> Result<String, Failure> {
    let digit = |byte: Option<&u8>| byte.and_then(|byte| char::from(*byte).to_digit(16));
    let mut out = Vec::with_capacity(bytes.len());
    let mut rest = bytes.iter();
    while let Some(byte) = rest.next() {
        out.push(match byte {
            b'+' => b' ',
            b'%' => {
                let (high, low) = (digit(rest.next()), digit(rest.next()));
                let value = high
                    .zip(low)
                    .and_then(|(high, low)| u8::try_from(high * 16 + low).ok());
                value.ok_or_else(|| Failure::of("error.form_text"))?
            }
            other => *other,
        });
    }
    String::from_utf8(out).map_err(|_| Failure::of("error.form_text"))
}

/// What is wrong, at which field.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Complaints(BTreeMap<&'static str, String>);

impl Complaints {
    /// Says at a field what is wrong with it; the first word counts.
    pub fn at(&mut self, field: &'static str, what: impl Into<String>) {
        self.0.entry(field).or_insert_with(|| what.into());
    }

    /// What is wrong with a field.
    #[must_use]
    pub fn of(&self, field: &str) -> Option<&str> {
        self.0.get(field).map(String::as_str)
    }

    /// Whether nothing is wrong.
    #[must_use]
    pub fn none(&self) -> bool {
        self.0.is_empty()
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;

    #[test]
    fn a_form_is_read_as_browsers_send_it() {
        let fields = Fields::encoded(b"name=J%C3%BCrgen+K.&yearly=on&x=&name=last%26&bad").unwrap();
        assert_eq!(fields.text("name"), "last&");
        assert!(fields.ticked("yearly") && fields.ticked("bad") && !fields.ticked("no"));
        assert_eq!((fields.some("x"), fields.some("no")), (None, None));
    }

    #[test]
    fn what_is_no_form_is_refused_and_nothing_panics() {
        for bad in [&b"a=%"[..], b"a=%4", b"a=%zz", b"a=%ff", b"%C3=1"] {
            assert!(Fields::encoded(bad).is_err());
        }
        let many: String = (0..=MOST_FIELDS).map(|n| format!("f{n}=1&")).collect();
        assert!(Fields::encoded(many.as_bytes()).is_err());
    }

    #[test]
    fn the_first_complaint_at_a_field_stays() {
        let mut wrong = Complaints::default();
        assert!(wrong.none());
        wrong.at("name", "too long");
        wrong.at("name", "ugly");
        assert_eq!(
            (wrong.of("name"), wrong.of("day")),
            (Some("too long"), None)
        );
    }
}
