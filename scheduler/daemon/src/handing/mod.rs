//! Alarms handed on to others than the broker: programs and web servers.
//!
//! Each receiver has a task and a queue of its own, so that a slow one delays
//! neither the loop nor the others. A message is tried a few times; one that
//! could not be handed on raises an alarm about that, at the broker, and the next
//! that gets through clears it.

mod command;
mod webhook;

use crate::keeper::News;
use leeside_config::wire::{AlarmReceiver, AlarmWay};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

/// Messages that may wait for a receiver; more are left out, and that is alarmed.
const ROOM: usize = 256;
/// Pauses after the first and the second failure; the third is the last.
const PAUSES: [Duration; 2] = [Duration::from_secs(2), Duration::from_secs(10)];

/// The receivers, each with its task.
pub(crate) struct Handing {
    settings: Vec<AlarmReceiver>,
    queues: Vec<(String, mpsc::Sender<Arc<str>>)>,
    tasks: Vec<tokio::task::JoinHandle<()>>,
    news: mpsc::Sender<News>,
}

impl Handing {
    /// Receivers as the site file has them.
    pub(crate) fn new(receivers: &[AlarmReceiver], news: mpsc::Sender<News>) -> Self {
        let mut handing = Self {
            settings: Vec::new(),
            queues: Vec::new(),
            tasks: Vec::new(),
            news,
        };
        handing.set(receivers);
        handing
    }

    /// Others take their place, where they differ. What waits for those that go is
    /// let go: it stands at the broker.
    pub(crate) fn set(&mut self, receivers: &[AlarmReceiver]) {
        if self.settings == receivers {
            return;
        }
        self.settings = receivers.to_vec();
        self.end();
        for receiver in receivers {
            let (queue, waiting) = mpsc::channel(ROOM);
            self.queues.push((receiver.name.clone(), queue));
            let task = serve(receiver.clone(), waiting, self.news.clone());
            self.tasks.push(tokio::spawn(task));
        }
    }

    /// Hands a message on; never waits.
    pub(crate) fn hand(&self, message: &str) {
        let message: Arc<str> = Arc::from(message);
        for (name, queue) in &self.queues {
            if queue.try_send(Arc::clone(&message)).is_err() {
                let why = format!("{ROOM} alarms wait for it already; one was left out");
                // Full: that is known already.
                let _ = self.news.try_send(News::Handing(name.clone(), Some(why)));
            }
        }
    }

    fn end(&mut self) {
        self.queues.clear();
        for task in self.tasks.drain(..) {
            task.abort();
        }
    }
}

impl Drop for Handing {
    fn drop(&mut self) {
        self.end();
    }
}

/// One receiver's task.
async fn serve(
    receiver: AlarmReceiver,
    mut waiting: mpsc::Receiver<Arc<str>>,
    news: mpsc::Sender<News>,
) {
    let mut failing = false;
    while let Some(message) = waiting.recv().await {
        let outcome = try_some(&receiver, &message).await;
        if let Err(why) = &outcome {
            tracing::error!(
                receiver = receiver.name,
                why,
                "an alarm could not be handed on"
            );
        }
        if outcome.is_err() || failing {
            failing = outcome.is_err();
            let told = News::Handing(receiver.name.clone(), outcome.err());
            if news.send(told).await.is_err() {
                return;
            }
        }
    }
}

async fn try_some(receiver: &AlarmReceiver, message: &Arc<str>) -> Result<(), String> {
    let mut pauses = PAUSES.iter();
    loop {
        let why = match try_once(receiver, message).await {
            Ok(()) => return Ok(()),
            Err(why) => why,
        };
        let Some(pause) = pauses.next() else {
            return Err(format!("{why} (tried {} times)", PAUSES.len() + 1));
        };
        tokio::time::sleep(*pause).await;
    }
}

async fn try_once(receiver: &AlarmReceiver, message: &Arc<str>) -> Result<(), String> {
    let patience = Duration::from_secs(u64::from(receiver.timeout_s));
    let handed = async {
        match &receiver.way {
            AlarmWay::Command(words) => command::run(words, message).await,
            AlarmWay::Webhook {
                url,
                ca_file,
                token_file,
            } => {
                let with = (ca_file.as_deref(), token_file.as_deref());
                webhook::post(url, with, message).await
            }
        }
    };
    tokio::time::timeout(patience, handed)
        .await
        .unwrap_or_else(|_| Err(format!("no answer within {} s", receiver.timeout_s)))
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::{AlarmReceiver, AlarmWay, Arc, try_once};
    use leeside_config::wire::Url;
    use std::io::{Read, Write};
    use std::net::TcpListener;
    use std::path::Path;

    fn command(words: &[&str], timeout_s: u16) -> AlarmReceiver {
        AlarmReceiver {
            name: "test".to_owned(),
            way: AlarmWay::Command(words.iter().map(|&word| word.to_owned()).collect()),
            timeout_s,
        }
    }

    fn webhook(port: u16, token: Option<&Path>, timeout_s: u16) -> AlarmReceiver {
        AlarmReceiver {
            name: "test".to_owned(),
            way: AlarmWay::Webhook {
                url: Url::parse(&format!("http://127.0.0.1:{port}/house?a=b")).unwrap(),
                ca_file: None,
                token_file: token.map(Path::to_owned),
            },
            timeout_s,
        }
    }

    #[tokio::test]
    async fn a_command_gets_the_message_and_its_words_as_they_stand() {
        let dir = tempfile::tempdir().unwrap();
        let to = dir.path().join("got; $(it) *");
        let words = ["/usr/bin/tee", to.to_str().unwrap()];
        let message: Arc<str> = Arc::from("{\"key\":\"frozen/a\"}");
        try_once(&command(&words, 10), &message).await.unwrap();
        // No shell has read the words.
        assert_eq!(
            std::fs::read_to_string(&to).unwrap(),
            "{\"key\":\"frozen/a\"}\n"
        );
        let failed = try_once(&command(&["/bin/false"], 10), &message).await;
        assert!(failed.unwrap_err().contains("exit status: 1"));
        let missing = try_once(&command(&["/no/such/program"], 10), &message).await;
        assert!(missing.unwrap_err().contains("/no/such/program"));
        let slow = try_once(&command(&["/bin/sleep", "60"], 1), &message).await;
        assert_eq!(slow.unwrap_err(), "no answer within 1 s");
    }

    /// A server that answers once with this, and gives what it was asked.
    fn server(answer: &'static str) -> (u16, std::thread::JoinHandle<String>) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let serving = std::thread::spawn(move || {
            let (mut stream, _) = listener.accept().unwrap();
            let mut asked = Vec::new();
            let mut piece = [0; 1_024];
            while !asked.ends_with(b"}") {
                let n = stream.read(&mut piece).unwrap();
                if n == 0 {
                    break;
                }
                asked.extend_from_slice(&piece[..n]);
            }
            stream.write_all(answer.as_bytes()).unwrap();
            String::from_utf8(asked).unwrap()
        });
        (port, serving)
    }

    #[tokio::test]
    async fn a_web_server_gets_the_message_with_the_token() {
        let dir = tempfile::tempdir().unwrap();
        let token = dir.path().join("token");
        std::fs::write(&token, "secret-1\nnot this\n").unwrap();
        let message: Arc<str> = Arc::from("{\"key\":\"Frost über a\"}");
        let (port, serving) = server("HTTP/1.1 204 No Content\r\n\r\n");
        try_once(&webhook(port, Some(&token), 10), &message)
            .await
            .unwrap();
        let asked = serving.join().unwrap();
        let (head, body) = asked.split_once("\r\n\r\n").unwrap();
        let mut lines = head.split("\r\n");
        assert_eq!(lines.next(), Some("POST /house?a=b HTTP/1.1"));
        let fields: Vec<&str> = lines.collect();
        for wanted in [
            format!("Host: 127.0.0.1:{port}"),
            format!("Content-Length: {}", message.len()),
            "Content-Type: application/json".to_owned(),
            "Authorization: Bearer secret-1".to_owned(),
            "Connection: close".to_owned(),
        ] {
            assert!(fields.contains(&wanted.as_str()), "{wanted} in {fields:?}");
        }
        assert_eq!(body, &*message);
    }

    #[tokio::test]
    async fn what_is_no_success_is_a_failure() {
        let message: Arc<str> = Arc::from("{}");
        for (answer, why) in [
            ("HTTP/1.1 500 Oh\r\n\r\n", "it answers 500"),
            ("HTTP/1.1 302 Elsewhere\r\n\r\n", "it answers 302"),
            ("SSH-2.0-x\r\n", "it does not speak HTTP"),
            ("", "it does not speak HTTP"),
        ] {
            let (port, serving) = server(answer);
            let failed = try_once(&webhook(port, None, 10), &message).await;
            assert_eq!(failed.unwrap_err(), why);
            serving.join().unwrap();
        }
        // Nobody listens; one who never answers.
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let slow = try_once(&webhook(port, None, 1), &message).await;
        assert_eq!(slow.unwrap_err(), "no answer within 1 s");
        drop(listener);
        let nobody = try_once(&webhook(port, None, 10), &message).await;
        assert!(nobody.unwrap_err().contains("cannot be reached"));
    }
}
