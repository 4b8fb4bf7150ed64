//! What changed, sent to the pages that show it.
//!
//! Each present is turned into the parts of pages that differ from the one before,
//! once per language and not once per reader; all readers are sent the same bytes.

use crate::gate::Viewer;
use crate::house::App;
use crate::pages::now;
use crate::words::{Language, Words};
use axum::extract::{Query, State};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use leeside_daemon::door::Present;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::broadcast;
use tokio::time::Instant;

/// Messages that a slow reader may lag behind; then it is sent everything anew.
const LAG: usize = 16;
/// A sign of life at least this often.
const BEAT: Duration = Duration::from_secs(5);
/// Readers are told at most this often.
const PACE: Duration = Duration::from_millis(500);
/// Readers are told this much later: in a storm the commands go first, and pages do
/// not take the processor from them.
const AFTER: Duration = Duration::from_millis(200);

/// The parts of a page, each with the revision in which it last changed.
pub type Parts = BTreeMap<String, (u64, String)>;

#[derive(Debug)]
struct Side {
    parts: Parts,
    news: broadcast::Sender<Arc<str>>,
}

/// Those who follow, by language.
#[derive(Debug)]
pub struct Live {
    sides: [Mutex<Side>; 2],
}

impl Default for Live {
    fn default() -> Self {
        Self::new()
    }
}

impl Live {
    /// With nobody following.
    #[must_use]
    pub fn new() -> Self {
        let side = || {
            Mutex::new(Side {
                parts: Parts::new(),
                news: broadcast::channel(LAG).0,
            })
        };
        Self {
            sides: [side(), side()],
        }
    }

    fn side(&self, language: Language) -> std::sync::MutexGuard<'_, Side> {
        let index = match language {
            Language::English => 0,
            Language::German => 1,
        };
        self.sides[index]
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes a present in and tells those who follow what differs.
    fn news(&self, language: Language, before: Option<&Present>, present: &Present) {
        let mut side = self.side(language);
        if side.news.receiver_count() == 0 {
            // Whoever comes next begins anew.
            side.parts.clear();
            return;
        }
        let before = before.filter(|_| !side.parts.is_empty());
        let mut changed = Vec::new();
        for (id, html) in now::parts(Words::of(language), before, present) {
            let same = side.parts.get(&id).is_some_and(|(_, old)| *old == html);
            if !same {
                changed.push(id.clone());
                side.parts.insert(id, (present.revision, html));
            }
        }
        let parts = changed
            .iter()
            .filter_map(|id| side.parts.get(id).map(|(_, html)| (id, html)));
        let message = message(present.revision, parts);
        // Nobody is left: no matter.
        let _ = side.news.send(message.into());
    }
}

fn message<'a>(revision: u64, parts: impl Iterator<Item = (&'a String, &'a String)>) -> String {
    let parts: serde_json::Map<String, serde_json::Value> = parts
        .map(|(id, html)| (id.clone(), serde_json::Value::from(html.as_str())))
        .collect();
    serde_json::json!({ "revision": revision, "parts": parts }).to_string()
}

/// Follows the presents until the service ends.
pub async fn follow(app: App) {
    let mut presents = app.given.door.follow();
    let mut before: Option<Arc<Present>> = None;
    loop {
        let began = Instant::now();
        let present = Arc::clone(&presents.borrow_and_update());
        for language in Language::ALL {
            app.live.news(language, before.as_deref(), &present);
        }
        before = Some(present);
        if presents.changed().await.is_err() {
            return;
        }
        tokio::time::sleep_until((began + PACE).max(Instant::now() + AFTER)).await;
    }
}

/// What a reader has already.
#[derive(Debug, Deserialize)]
pub struct Since {
    revision: Option<u64>,
}

/// The stream of what changes.
pub async fn stream(
    State(app): State<App>,
    Query(since): Query<Since>,
    viewer: Viewer,
) -> Response {
    let language = viewer.words.language;
    let (news, first) = {
        let side = app.live.side(language);
        (
            side.news.subscribe(),
            since.revision.filter(|_| !side.parts.is_empty()),
        )
    };
    let reader = Reader {
        app,
        words: viewer.words,
        news,
        first: Some(first),
        token: viewer,
    };
    let events = stream::unfold(reader, |mut reader| async move {
        let text = reader.next().await?;
        Some((Ok::<_, Infallible>(Event::default().data(&*text)), reader))
    });
    Sse::new(events)
        .keep_alive(KeepAlive::new().interval(BEAT).text("here"))
        .into_response()
}

struct Reader {
    app: App,
    words: Words,
    news: broadcast::Receiver<Arc<str>>,
    /// The first message is still to be sent; with the revision that the page has.
    first: Option<Option<u64>>,
    token: Viewer,
}

impl Reader {
    async fn next(&mut self) -> Option<Arc<str>> {
        if let Some(since) = self.first.take() {
            return Some(self.all(since));
        }
        let mut stop = self.app.given.stop.clone();
        let news = tokio::select! {
            _ = stop.wait_for(|stop| *stop) => return None,
            news = self.news.recv() => news,
        };
        if !self.may_still() {
            return None;
        }
        match news {
            Ok(text) => Some(text),
            Err(broadcast::error::RecvError::Lagged(_)) => Some(self.all(None)),
            Err(broadcast::error::RecvError::Closed) => None,
        }
    }

    /// Whoever was taken out of the people file sees no more.
    fn may_still(&self) -> bool {
        let Some(name) = &self.token.name else {
            return !self.app.has_people();
        };
        self.app.people().named(name).is_some()
    }

    /// Every part that changed after a revision; without one, all.
    fn all(&self, since: Option<u64>) -> Arc<str> {
        let side = self.app.live.side(self.words.language);
        if side.parts.is_empty() {
            let present = self.app.present();
            let parts: Vec<(String, String)> = now::parts(self.words, None, &present);
            let same = since.is_some_and(|since| since == present.revision);
            let parts = parts.iter().filter(|_| !same).map(|(id, html)| (id, html));
            return message(present.revision, parts).into();
        }
        let newest = side
            .parts
            .values()
            .map(|(revision, _)| *revision)
            .max()
            .unwrap_or(0);
        let parts = side
            .parts
            .iter()
            .filter(|(_, (revision, _))| since.is_none_or(|since| *revision > since))
            .map(|(id, (_, html))| (id, html));
        message(newest, parts).into()
    }
}
