//! The line to the browser: TLS by the page itself, a proxy in front, and clients
//! that do not behave.

use crate::brokers::PATIENCE;
use crate::browser::Browser;
use crate::house::{House, PASSWORD};
use crate::plain::{Plain, exchange};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};

const GUEST: &[(&str, &str, &[&str])] = &[("guest", "look", &[])];

/// A certificate of our own making, for a day.
pub(crate) fn certificate(folder: &Path) {
    let out = Command::new("openssl")
        .args([
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:prime256v1",
            "-nodes",
        ])
        .args([
            "-days",
            "1",
            "-subj",
            "/CN=localhost",
            "-addext",
            "subjectAltName=IP:127.0.0.1",
        ])
        .args(["-keyout", "key.pem", "-out", "certificate.pem"])
        .current_dir(folder)
        .output()
        .expect("openssl is needed for this test: apt-get install openssl");
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
}

#[test]
fn with_tls_of_its_own_the_page_is_reached_by_https_only_and_cookies_are_secure() {
    let lines = "people_file = \"people.toml\"\ntls = { certificate_file = \"certificate.pem\", key_file = \"key.pem\" }";
    let house = House::with(lines, GUEST, certificate);
    let browser = Browser::take();
    browser.go(&format!("https://127.0.0.1:{}/", house.page));
    browser.fill("#name", "guest");
    browser.fill("#password", PASSWORD);
    browser.click("main button");
    browser.wait_text("#live-state", "Live");
    let cookie = browser.cookie("__Host-leeside_session").unwrap();
    assert_eq!(
        (cookie.secure(), cookie.http_only()),
        (Some(true), Some(true))
    );
    let sent = browser.js(
        "return fetch('/').then((answer) => answer.headers.get('strict-transport-security'))",
        vec![],
    );
    assert_eq!(sent, "max-age=31536000");
    let plain = exchange(house.page, b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n");
    assert!(
        !String::from_utf8_lossy(&plain).contains("HTTP/1.1 200"),
        "no plain text on a TLS port"
    );
}

/// The page's certificate, an authority for browsers, and a certificate of it.
fn certificates(folder: &Path) {
    certificate(folder);
    let script = "
        new='-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes'
        openssl req -x509 $new -days 1 -subj '/CN=House' -keyout ca-key.pem -out ca.pem &&
        openssl req $new -subj '/CN=keeper' -keyout client-key.pem -out client.csr &&
        printf 'basicConstraints=CA:FALSE\\nextendedKeyUsage=clientAuth\\n' > client.ext &&
        openssl x509 -req -in client.csr -CA ca.pem -CAkey ca-key.pem -CAcreateserial \\
            -days 1 -extfile client.ext -out client.pem";
    let out = Command::new("sh")
        .args(["-c", script])
        .current_dir(folder)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
}

/// Something one has beside the password that one knows: without a certificate of
/// the house's authority nobody gets as far as the page.
#[test]
fn where_an_authority_vouches_for_browsers_nobody_else_reaches_the_page() {
    let lines = "people_file = \"people.toml\"\ntls = { certificate_file = \"certificate.pem\", \
        key_file = \"key.pem\", client_ca_file = \"ca.pem\" }";
    let house = House::with(lines, GUEST, certificates);
    let answer = |with: &[&str]| {
        let mut child = Command::new("openssl")
            .args(["s_client", "-quiet", "-connect"])
            .arg(format!("127.0.0.1:{}", house.page))
            .args(with)
            .current_dir(house.site.dir.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let ask = b"GET /sign-in HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\n\r\n";
        // It may have been refused before it has sent anything.
        let _ = child.stdin.take().unwrap().write_all(ask);
        String::from_utf8_lossy(&child.wait_with_output().unwrap().stdout).into_owned()
    };
    let known = ["-cert", "client.pem", "-key", "client-key.pem"];
    assert!(answer(&known).contains("HTTP/1.1 200"));
    assert_eq!(answer(&[]), "");
    let foreign = ["-cert", "certificate.pem", "-key", "key.pem"];
    assert_eq!(answer(&foreign), "");
}

#[test]
fn behind_a_proxy_its_word_about_addresses_counts_and_cookies_are_secure() {
    let house = House::with(
        "people_file = \"people.toml\"\nbehind_proxy = true",
        GUEST,
        |_| (),
    );
    let sign_in = |from: &str, name: &str, password: &str| {
        let plain = Plain::new(&house);
        let form = plain.get("/sign-in");
        let body = format!(
            "csrf={}&name={name}&password={password}",
            form.hidden("csrf")
        );
        let kind = ("content-type", "application/x-www-form-urlencoded");
        plain.with(
            &[kind, ("host", "house.example"), ("x-forwarded-for", from)],
            "POST",
            "/sign-in",
            &body,
        )
    };
    for n in 0..5 {
        // Only the last address is the proxy's own word; what stands before it anybody could write.
        let from = format!("198.51.100.{n}, 192.0.2.1");
        assert_eq!(
            sign_in(&from, &format!("nobody{n}"), "guess-after-guess").status,
            401
        );
    }
    assert_eq!(
        sign_in("192.0.2.1", "guest", "x").status,
        429,
        "that address has to wait"
    );
    let well = sign_in("192.0.2.2", "guest", "wind+from+the+west");
    assert_eq!(well.status, 303, "another one need not");
    let cookie = well.header("set-cookie");
    assert!(
        cookie.contains("__Host-leeside_session=") && cookie.contains("; Secure"),
        "{cookie}"
    );
    assert!(!well.header("strict-transport-security").is_empty());
}

#[test]
fn without_a_proxy_nobody_chooses_their_own_address() {
    let house = House::with("people_file = \"people.toml\"", GUEST, |_| ());
    let plain = Plain::new(&house);
    for n in 0..6 {
        let form = plain.get("/sign-in");
        let body = format!(
            "csrf={}&name=nobody{n}&password=guess-after-guess",
            form.hidden("csrf")
        );
        let from = format!("192.0.2.{n}");
        let headers = [
            ("content-type", "application/x-www-form-urlencoded"),
            ("x-forwarded-for", from.as_str()),
        ];
        let answer = plain.with(&headers, "POST", "/sign-in", &body);
        assert_eq!(answer.status, if n < 5 { 401 } else { 429 });
    }
}

#[test]
fn nonsense_on_the_line_stops_nothing() {
    let house = House::open();
    for bytes in [
        &b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"[..],
        b"GET\r\n\r\n",
        b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nhost: evil.example\r\ncontent-length: -1\r\n\r\n",
        b"POST /sign-in HTTP/1.1\r\nhost: 127.0.0.1\r\ntransfer-encoding: chunked\r\ncontent-length: 3\r\n\r\nzzz",
    ] {
        exchange_briefly(house.page, bytes);
    }
    let plain = Plain::new(&house);
    for path in [
        "/../../etc/passwd",
        "/assets/../../Cargo.toml",
        "/assets/%2e%2e%2fCargo.toml",
        "/%00",
        "/why?group=%ff",
    ] {
        let answer = plain.get(path);
        assert!(
            (400..500).contains(&answer.status) || answer.status == 200,
            "{path}: {}",
            answer.status
        );
        assert!(
            !answer.body.contains("root:") && !answer.body.contains("[package]"),
            "{path}"
        );
    }
    let large = "a".repeat(2 << 20);
    let kind = [("content-type", "application/x-www-form-urlencoded")];
    assert!((400..500).contains(&plain.with(&kind, "POST", "/sign-out", &large).status));
    // Many who connect and say nothing.
    let silent: Vec<TcpStream> = (0..100)
        .map(|_| TcpStream::connect(("127.0.0.1", house.page)).unwrap())
        .collect();
    assert_eq!(plain.get("/").status, 200);
    drop(silent);
    for method in ["PUT", "DELETE", "TRACE", "PATCH"] {
        assert_eq!(plain.with(&[], method, "/", "").status, 405, "{method}");
    }
}

fn exchange_briefly(port: u16, bytes: &[u8]) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    // It may hang up before it has read everything; that is answer enough.
    let _ = stream.write_all(bytes);
    let _ = stream.shutdown(std::net::Shutdown::Write);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    assert!(
        !String::from_utf8_lossy(&answer).contains(" 200 "),
        "{}",
        String::from_utf8_lossy(&answer)
    );
}
