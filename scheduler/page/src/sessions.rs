//! Who is signed in, and how often somebody may try.
//!
//! Sessions live in memory: a restart signs everybody out. A browser holds a
//! random token; here only its hash is kept. Time is the runtime's own count.

use argon2::password_hash::rand_core::{OsRng, RngCore};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// A session that nobody uses ends after this.
const IDLE: Duration = Duration::from_secs(8 * 3_600);
/// A session ends after this in any case.
const LONGEST: Duration = Duration::from_secs(24 * 3_600);
/// Sessions at once; the one unused for longest makes room.
const MOST: usize = 1_000;
/// Failed tries that are free, per name and per address.
const FREE_TRIES: u32 = 5;
/// After that, so long until the next, doubling up to the longest.
const FIRST_WAIT: Duration = Duration::from_secs(10);
const LONGEST_WAIT: Duration = Duration::from_secs(15 * 60);
/// Failed tries are forgotten after this.
const FORGET: Duration = Duration::from_secs(3_600);
/// Names and addresses whose tries are counted; beyond that nobody new gets a try.
const MOST_COUNTED: usize = 10_000;

/// A random token of 256 bits, hex.
#[must_use]
pub fn token() -> String {
    let mut bytes = [0_u8; 32];
    OsRng.fill_bytes(&mut bytes);
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Whether two texts are the same, in a time that does not tell where they differ.
#[must_use]
pub fn same(a: &str, b: &str) -> bool {
    let (a, b) = (Sha256::digest(a.as_bytes()), Sha256::digest(b.as_bytes()));
    a.iter()
        .zip(b.iter())
        .fold(0_u8, |different, (a, b)| different | (a ^ b))
        == 0
}

fn key(token: &str) -> [u8; 32] {
    Sha256::digest(token.as_bytes()).into()
}

/// A session.
#[derive(Clone, Debug)]
pub struct Session {
    /// Who.
    pub name: String,
    /// The password's hash when they signed in: with another one the session is over.
    pub password: String,
    /// Goes with every form.
    pub csrf: String,
    began: Instant,
    used: Instant,
}

#[derive(Clone, Copy, Debug)]
struct Tries {
    failed: u32,
    last: Instant,
}

#[derive(Debug, Default)]
struct Inner {
    sessions: BTreeMap<[u8; 32], Session>,
    tries: BTreeMap<String, Tries>,
}

/// All sessions.
#[derive(Debug, Default)]
pub struct Sessions {
    inner: Mutex<Inner>,
}

impl Sessions {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins a session; gives the token for the browser. It is a new one each time.
    pub fn begin(&self, name: &str, password: &str, now: Instant) -> String {
        let token = token();
        let mut inner = self.lock();
        inner.sessions.retain(|_, session| session.lasts(now));
        if inner.sessions.len() >= MOST {
            let oldest = inner
                .sessions
                .iter()
                .min_by_key(|(_, s)| s.used)
                .map(|(key, _)| *key);
            oldest.map(|key| inner.sessions.remove(&key));
        }
        let session = Session {
            name: name.to_owned(),
            password: password.to_owned(),
            csrf: self::token(),
            began: now,
            used: now,
        };
        inner.sessions.insert(key(&token), session);
        token
    }

    /// The session of a token, if it still lasts; it counts as used.
    pub fn find(&self, token: &str, now: Instant) -> Option<Session> {
        let mut inner = self.lock();
        let session = inner.sessions.get_mut(&key(token))?;
        if !session.lasts(now) {
            inner.sessions.remove(&key(token));
            return None;
        }
        session.used = now;
        Some(session.clone())
    }

    /// Ends a session.
    pub fn end(&self, token: &str) {
        self.lock().sessions.remove(&key(token));
    }

    /// How long somebody has to wait before the next try; `None`: not at all.
    #[must_use]
    pub fn wait(&self, name: &str, from: IpAddr, now: Instant) -> Option<Duration> {
        let mut inner = self.lock();
        inner.tries.retain(|_, tries| now - tries.last < FORGET);
        let full = (inner.tries.len() >= MOST_COUNTED).then_some(LONGEST_WAIT);
        let wait = |counted: &String| {
            let tries = inner.tries.get(counted)?;
            let over = tries.failed.checked_sub(FREE_TRIES)?;
            let wait = FIRST_WAIT
                .saturating_mul(1 << over.min(10))
                .min(LONGEST_WAIT);
            wait.checked_sub(now - tries.last)
                .filter(|left| !left.is_zero())
        };
        let waits = counted(name, from);
        if waits
            .iter()
            .any(|counted| inner.tries.contains_key(counted))
        {
            waits.iter().filter_map(wait).max()
        } else {
            full
        }
    }

    /// Notes how a try went.
    pub fn tried(&self, name: &str, from: IpAddr, well: bool, now: Instant) {
        let mut inner = self.lock();
        for counted in counted(name, from) {
            if well {
                inner.tries.remove(&counted);
            } else {
                let tries = inner.tries.entry(counted).or_insert(Tries {
                    failed: 0,
                    last: now,
                });
                *tries = Tries {
                    failed: tries.failed.saturating_add(1),
                    last: now,
                };
            }
        }
    }
}

/// Under which a try is counted: the name, and the address.
fn counted(name: &str, from: IpAddr) -> [String; 2] {
    let short: String = name.chars().take(80).collect();
    [format!("name {short}"), format!("from {from}")]
}

impl Session {
    fn lasts(&self, now: Instant) -> bool {
        now - self.used < IDLE && now - self.began < LONGEST
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::Ipv4Addr;

    const HERE: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);

    #[test]
    fn a_session_ends_when_unused_and_in_any_case_after_a_day() {
        let (sessions, mut now) = (Sessions::default(), Instant::now());
        let token = sessions.begin("a", "hash", now);
        let found = sessions.find(&token, now).map(|session| session.name);
        assert_eq!(found, Some("a".to_owned()));
        assert!(sessions.find(&self::token(), now).is_none());
        for _ in 0..3 {
            now += IDLE - Duration::from_secs(1);
            assert!(sessions.find(&token, now).is_some(), "used in time");
        }
        now += Duration::from_secs(4);
        assert!(sessions.find(&token, now).is_none(), "a day is over");
        let token = sessions.begin("a", "hash", now);
        now += IDLE;
        assert!(sessions.find(&token, now).is_none(), "unused");
        let token = sessions.begin("a", "hash", now);
        sessions.end(&token);
        assert!(sessions.find(&token, now).is_none(), "ended");
    }

    #[test]
    fn after_five_failures_one_waits_longer_each_time_and_a_success_ends_it() {
        let (sessions, mut now) = (Sessions::default(), Instant::now());
        for _ in 0..FREE_TRIES {
            assert_eq!(sessions.wait("a", HERE, now), None);
            sessions.tried("a", HERE, false, now);
        }
        let elsewhere = IpAddr::V4(Ipv4Addr::new(192, 0, 2, 7));
        assert_eq!(sessions.wait("a", HERE, now), Some(FIRST_WAIT));
        assert_eq!(
            sessions.wait("b", HERE, now),
            Some(FIRST_WAIT),
            "the address counts too"
        );
        assert_eq!(
            sessions.wait("a", elsewhere, now),
            Some(FIRST_WAIT),
            "and so does the name"
        );
        assert_eq!(sessions.wait("b", elsewhere, now), None);
        now += FIRST_WAIT;
        assert_eq!(sessions.wait("a", HERE, now), None);
        sessions.tried("a", HERE, false, now);
        assert_eq!(sessions.wait("a", HERE, now), Some(FIRST_WAIT * 2));
        sessions.tried("a", HERE, true, now);
        assert_eq!(sessions.wait("a", HERE, now), None);
    }

    #[test]
    fn what_is_kept_has_bounds() {
        let (sessions, now) = (Sessions::default(), Instant::now());
        let first = sessions.begin("a", "hash", now);
        let now = now + Duration::from_secs(1);
        for _ in 0..MOST {
            sessions.begin("b", "hash", now);
        }
        assert_eq!(sessions.lock().sessions.len(), MOST);
        assert!(sessions.find(&first, now).is_none());
        for n in 0..MOST_COUNTED {
            sessions.tried(&format!("name {n}"), HERE, false, now);
        }
        let elsewhere = IpAddr::V4(Ipv4Addr::new(192, 0, 2, 7));
        assert_eq!(sessions.wait("new", elsewhere, now), Some(LONGEST_WAIT));
    }

    #[test]
    fn tokens_are_long_and_unlike_and_compared_whole() {
        let (a, b) = (token(), token());
        assert_eq!(a.len(), 64);
        assert_ne!(a, b);
        assert!(same(&a, &a) && !same(&a, &b) && !same(&a, ""));
    }
}
