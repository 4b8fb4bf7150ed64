//! The page without a browser: requests written by hand, to see what really leaves.

use crate::brokers::PATIENCE;
use crate::house::{House, PASSWORD};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Mutex;

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    head: String,
    pub(crate) body: String,
}

impl Answer {
    fn read(bytes: &[u8]) -> Self {
        let text = String::from_utf8_lossy(bytes);
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let status = head
            .split(' ')
            .nth(1)
            .and_then(|status| status.parse().ok())
            .unwrap_or(0);
        Self {
            status,
            head: head.to_owned(),
            body: body.to_owned(),
        }
    }

    /// A header's value; of several, all in one.
    pub(crate) fn header(&self, name: &str) -> String {
        let values: Vec<&str> = self
            .head
            .lines()
            .filter_map(|line| line.split_once(": "))
            .filter(|(found, _)| found.eq_ignore_ascii_case(name))
            .map(|(_, value)| value)
            .collect();
        values.join(", ")
    }

    /// The value of a hidden field.
    pub(crate) fn hidden(&self, name: &str) -> String {
        let field = self.body.split(&format!("name=\"{name}\" value=\"")).nth(1);
        field
            .and_then(|rest| rest.split('"').next())
            .unwrap_or_default()
            .to_owned()
    }
}

/// A client with a jar of cookies.
pub(crate) struct Plain {
    port: u16,
    jar: Mutex<BTreeMap<String, String>>,
}

impl Plain {
    pub(crate) fn new(house: &House) -> Self {
        Self {
            port: house.page,
            jar: Mutex::default(),
        }
    }

    pub(crate) fn cookies(&self) -> BTreeMap<String, String> {
        self.jar.lock().unwrap().clone()
    }

    pub(crate) fn set_cookies(&self, jar: &BTreeMap<String, String>) {
        self.jar.lock().unwrap().clone_from(jar);
    }

    pub(crate) fn get(&self, path: &str) -> Answer {
        self.with(&[], "GET", path, "")
    }

    pub(crate) fn post(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let body: Vec<String> = fields
            .iter()
            .map(|(name, value)| format!("{name}={}", leeside_page::gate::encode(value)))
            .collect();
        let kind = [("content-type", "application/x-www-form-urlencoded")];
        self.with(&kind, "POST", path, &body.join("&"))
    }

    /// Signs in; afterwards the jar holds the session.
    pub(crate) fn sign_in(&self, name: &str, password: &str) -> Answer {
        let form = self.get("/sign-in");
        self.post(
            "/sign-in",
            &[
                ("csrf", &form.hidden("csrf")),
                ("to", "/"),
                ("name", name),
                ("password", password),
            ],
        )
    }

    /// Signs in once more, while signed in.
    pub(crate) fn sign_in_anew(&self, name: &str, password: &str) {
        let jar = self.cookies();
        let stranger = Self {
            port: self.port,
            jar: Mutex::default(),
        };
        let form = stranger.get("/sign-in");
        let mut both = jar;
        both.extend(stranger.cookies());
        self.set_cookies(&both);
        let fields = [
            ("csrf", form.hidden("csrf")),
            ("name", name.to_owned()),
            ("password", password.to_owned()),
        ];
        let fields: Vec<(&str, &str)> = fields
            .iter()
            .map(|(name, value)| (*name, value.as_str()))
            .collect();
        assert_eq!(self.post("/sign-in", &fields).status, 303);
    }

    /// A request with headers of its own.
    pub(crate) fn with(
        &self,
        headers: &[(&str, &str)],
        method: &str,
        path: &str,
        body: &str,
    ) -> Answer {
        let mut text = format!(
            "{method} {path} HTTP/1.1\r\nconnection: close\r\ncontent-length: {}\r\n",
            body.len()
        );
        if !headers.iter().any(|(name, _)| *name == "host") {
            let _ = write!(text, "host: 127.0.0.1:{}\r\n", self.port);
        }
        for (name, value) in headers {
            let _ = write!(text, "{name}: {value}\r\n");
        }
        let cookies: Vec<String> = self
            .cookies()
            .iter()
            .map(|(name, value)| format!("{name}={value}"))
            .collect();
        if !cookies.is_empty() {
            let _ = write!(text, "cookie: {}\r\n", cookies.join("; "));
        }
        let _ = write!(text, "\r\n{body}");
        let answer = Answer::read(&exchange(self.port, text.as_bytes()));
        let mut jar = self.jar.lock().unwrap();
        for cookie in answer.header("set-cookie").split(", ") {
            if let Some((name, value)) = cookie
                .split(';')
                .next()
                .and_then(|pair| pair.split_once('='))
            {
                jar.insert(name.to_owned(), value.to_owned());
            }
        }
        drop(jar);
        answer
    }
}

/// Sends bytes and reads until the other end closes.
pub(crate) fn exchange(port: u16, bytes: &[u8]) -> Vec<u8> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    // It may answer before it has read everything.
    let _ = stream.write_all(bytes);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    answer
}

/// Somebody signed in.
pub(crate) fn signed_in(house: &House, name: &str) -> Plain {
    let plain = Plain::new(house);
    assert_eq!(plain.sign_in(name, PASSWORD).status, 303);
    plain
}
