//! Alarms posted over https: to a server that the house's own authority vouches
//! for, and to those that refuse, hang or fail. None of them delays a command.

use crate::brokers::free_port;
use crate::building::Building;
use crate::client::{Listener, Message};
use crate::daemon::{At, Setup};
use crate::outside::add;
use crate::secure::certificates;
use crate::storm::{all_out, sent_in};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ServerConfig, ServerConnection, StreamOwned};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// What a server does with a message that it has read.
#[derive(Clone, Copy)]
enum Does {
    Answers(&'static str),
    Hangs,
}

/// A web server with the certificate in `dir`; it gives what was posted to it.
fn server(dir: &Path, does: Does) -> (u16, Receiver<String>) {
    let chain: Result<Vec<_>, _> = CertificateDer::pem_file_iter(dir.join("broker.pem"))
        .unwrap()
        .collect();
    let key = PrivateKeyDer::from_pem_file(dir.join("broker.key")).unwrap();
    let config =
        ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_single_cert(chain.unwrap(), key)
            .unwrap();
    let config = Arc::new(config);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (got, posted) = channel();
    std::thread::spawn(move || {
        let mut hanging = Vec::new();
        for stream in listener.incoming() {
            let connection = ServerConnection::new(Arc::clone(&config)).unwrap();
            let mut stream = StreamOwned::new(connection, stream.unwrap());
            // Whoever does not trust it hangs up in the middle of the greeting.
            let Ok(message) = posted_on(&mut stream) else {
                continue;
            };
            if got.send(message).is_err() {
                return;
            }
            match does {
                Does::Answers(status) => {
                    let _ = write!(stream, "HTTP/1.1 {status}\r\nContent-Length: 0\r\n\r\n");
                    let _ = stream.flush();
                }
                Does::Hangs => hanging.push(stream),
            }
        }
    });
    (port, posted)
}

/// Head and body of one POST.
fn posted_on(stream: &mut impl Read) -> std::io::Result<String> {
    let mut reader = BufReader::new(stream);
    let (mut head, mut length) = (String::new(), 0);
    while !head.ends_with("\r\n\r\n") {
        let begin = head.len();
        if reader.read_line(&mut head)? == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        if let Some(text) = head[begin..].strip_prefix("Content-Length: ") {
            length = text.trim().parse().unwrap();
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body)?;
    Ok(head + &String::from_utf8(body).unwrap())
}

/// A port at which connections are made, and nothing is ever said.
fn mute() -> (u16, TcpListener) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    (listener.local_addr().unwrap().port(), listener)
}

/// The certificates of the authority lie beside the site file, and are named so.
fn receiver(name: &str, port: u16) -> String {
    format!(
        "[[alarm_receiver]]\nname = \"{name}\"\nwebhook = \"https://127.0.0.1:{port}/house\"\nca_file = \"ca.pem\"\n\
         token_file = \"token\"\ntimeout_s = 1\n"
    )
}

#[test]
fn alarms_are_posted_over_https_and_no_server_delays_the_service() {
    let setup = Setup::new(At::Mosquitto);
    let dir = setup.site.dir.path();
    certificates(dir, &[]);
    let stranger = tempfile::tempdir().unwrap();
    certificates(stranger.path(), &[]);
    let (good, posted) = server(dir, Does::Answers("204 No Content"));
    let (failing, failed) = server(dir, Does::Answers("500 Internal Server Error"));
    let (hanging, _hung) = server(dir, Does::Hangs);
    let (strange, untrusted) = server(stranger.path(), Does::Answers("204 No Content"));
    let (mute, _mute) = mute();
    let refusing = free_port();
    std::fs::write(dir.join("token"), "house-token\n").unwrap();
    let all = [
        ("good", good),
        ("failing", failing),
        ("hanging", hanging),
        ("strange", strange),
        ("mute", mute),
        ("refusing", refusing),
    ];
    let more: Vec<String> = all
        .iter()
        .map(|(name, port)| receiver(name, *port))
        .collect();
    add(&setup.site.path, &more.join("\n"));
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    building.silence("wind west");
    sent_in(&listener, mark, "west screens");

    let told = listener.wait(mark, "the alarm", |m| {
        m.topic == "quick/alarm/sensor_fault/wind west"
    });
    let post = posted.recv_timeout(Duration::from_secs(60)).unwrap();
    let (head, body) = post.split_once("\r\n\r\n").unwrap();
    assert_eq!(body.as_bytes(), told.payload);
    assert!(head.starts_with("POST /house HTTP/1.1\r\n"), "{head}");
    assert!(
        head.contains("\r\nAuthorization: Bearer house-token"),
        "{head}"
    );

    // While all the others are still being tried, a gust is answered.
    let storm = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, storm, "south slats");
    let given_up = |m: &Message| m.topic.starts_with("quick/alarm/alarm_not_handed_on/");
    let early: Vec<String> = listener
        .since(mark)
        .iter()
        .filter(|m| given_up(m))
        .map(|m| m.topic.clone())
        .collect();
    assert_eq!(
        early,
        Vec::<String>::new(),
        "the command came after the receivers were given up"
    );

    for (name, why) in [
        ("failing", "it answers 500"),
        ("hanging", "no answer within 1 s"),
        ("strange", "invalid peer certificate"),
        ("mute", "no answer within 1 s"),
        ("refusing", "cannot be reached"),
    ] {
        let topic = format!("quick/alarm/alarm_not_handed_on/{name}");
        let said = listener.wait(mark, &topic, |m| {
            m.topic == topic && m.json()["active"] == true
        });
        let said = said.json()["reason"].as_str().unwrap().to_owned();
        assert!(
            said.contains(why) && said.contains("tried 3 times"),
            "{name}: {said}"
        );
    }
    let about = format!("{}", told.json()["key"]);
    let tries = failed
        .try_iter()
        .filter(|post| post.contains(&about))
        .count();
    assert_eq!(tries, 3, "a message is tried within bounds");
    assert!(
        untrusted.try_recv().is_err(),
        "nothing was said to a server that nobody vouches for"
    );
    assert!(
        !listener
            .since(0)
            .iter()
            .any(|m| m.topic == "quick/alarm/alarm_not_handed_on/good")
    );
    let (status, lines) = daemon.terminate();
    assert!(status.success());
    assert!(
        !lines.join("\n").contains("house-token"),
        "the token is in the log"
    );
}
