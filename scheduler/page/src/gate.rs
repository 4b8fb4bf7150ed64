//! Letting requests in: who asks, from where, for what; and the headers that every
//! answer carries.

use crate::form::Fields;
use crate::house::App;
use crate::layout;
use crate::listen::PeerAddress;
use crate::pages::year;
use crate::people::Role;
use crate::sessions::{same, token};
use crate::words::{Language, Words};
use axum::extract::{ConnectInfo, FromRequest, FromRequestParts, Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::request::Parts;
use axum::http::{Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use std::net::{IpAddr, Ipv4Addr};

/// Largest body of a form or message, bytes: a calendar of some thousand days.
pub const LARGEST_BODY: usize = 1 << 20;

/// Who a route is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Access {
    /// Everybody who can reach the page.
    Open,
    /// Those who may at least this.
    May(Role),
}

/// Who looks.
#[derive(Clone, Debug)]
pub struct Viewer {
    /// Their name; `None`: nobody has signed in.
    pub name: Option<String>,
    /// What they may do.
    pub role: Role,
    /// The rooms that they may move something in; none: all.
    pub rooms: Vec<String>,
    /// Goes with every form of theirs.
    pub csrf: String,
    /// Their language.
    pub words: Words,
    /// What they look at.
    pub uri: Uri,
    /// Whether one can sign in at all.
    pub has_people: bool,
}

impl Viewer {
    /// Whether they may do that.
    #[must_use]
    pub fn may(&self, role: Role) -> bool {
        self.role >= role
    }

    /// Whether they may move this group: one of their rooms lies behind it.
    #[must_use]
    pub fn may_move(&self, model: &Model, group: GroupId) -> bool {
        let theirs = |room: &leeside_core::ids::RoomId| {
            let room = model.rooms.get(room.index());
            room.is_some_and(|room| self.rooms.contains(&room.name))
        };
        self.may(Role::Operate)
            && (self.rooms.is_empty() || model.group(group).rooms.iter().any(theirs))
    }

    /// Under which name the journal keeps what they ask.
    #[must_use]
    pub fn by(&self) -> String {
        let name = self.name.as_deref().unwrap_or("nobody");
        format!("{name} (page)")
    }
}

/// The name of the session's cookie. With TLS its prefix binds it to this host.
#[must_use]
pub const fn session_cookie(secure: bool) -> &'static str {
    if secure {
        "__Host-leeside_session"
    } else {
        "leeside_session"
    }
}

/// The value that sets a cookie for the browser's session.
#[must_use]
pub fn set_cookie(name: &str, value: &str, secure: bool, seconds: Option<u32>) -> String {
    let secure = if secure { "; Secure" } else { "" };
    let age = seconds.map_or_else(String::new, |seconds| format!("; Max-Age={seconds}"));
    format!("{name}={value}; Path=/; HttpOnly; SameSite=Lax{secure}{age}")
}

/// A cookie of the request.
#[must_use]
pub fn cookie<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|cookies| cookies.split(';'))
        .filter_map(|cookie| cookie.trim().split_once('='))
        .find(|(found, _)| *found == name)
        .map(|(_, value)| value)
}

/// From where a request comes: the proxy's word for it, where there is one.
#[must_use]
pub fn address(app: &App, extensions: &axum::http::Extensions, headers: &HeaderMap) -> IpAddr {
    let forwarded = || {
        let all = headers.get_all("x-forwarded-for").iter().next_back()?;
        all.to_str().ok()?.rsplit(',').next()?.trim().parse().ok()
    };
    let peer = extensions
        .get::<ConnectInfo<PeerAddress>>()
        .map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |peer| peer.0.0.ip());
    if app.given.settings.behind_proxy {
        forwarded().unwrap_or(peer)
    } else {
        peer
    }
}

fn viewer(app: &App, parts_uri: &Uri, headers: &HeaderMap) -> Viewer {
    let words = Words::of(Language::wanted(headers));
    let token = cookie(headers, session_cookie(app.secure()));
    let signed_in = token.and_then(|token| app.signed_in(token));
    let (name, role, rooms, csrf) = match signed_in {
        Some((session, person)) => (Some(person.name), person.role, person.rooms, session.csrf),
        None => (None, Role::Look, Vec::new(), String::new()),
    };
    Viewer {
        name,
        role,
        rooms,
        csrf,
        words,
        uri: parts_uri.clone(),
        has_people: app.has_people(),
    }
}

/// Lets in who may; whoever has not signed in is led there. Put around every route
/// with the access that the table of routes gives it.
pub async fn admit(
    State((app, access)): State<(App, Access)>,
    mut request: Request,
    next: Next,
) -> Response {
    let viewer = viewer(&app, request.uri(), request.headers());
    let api = request.uri().path().starts_with("/api/");
    let stranger = app.has_people() && viewer.name.is_none();
    if let Access::May(role) = access {
        if stranger {
            if api {
                return refuse_api(StatusCode::UNAUTHORIZED, "sign in first");
            }
            let reads = request.method() == Method::GET || request.method() == Method::HEAD;
            let to = if reads {
                request.uri().path_and_query().map_or("/", |to| to.as_str())
            } else {
                "/"
            };
            return Redirect::to(&format!("/sign-in?to={}", encode(to))).into_response();
        }
        if !viewer.may(role) {
            if api {
                return refuse_api(StatusCode::FORBIDDEN, "this needs the role that may do it");
            }
            let why = viewer.words.fill(
                "error.role",
                &[("role", &viewer.words.say_of("role", role.as_str()))],
            );
            return layout::failure(&viewer, StatusCode::FORBIDDEN, &why);
        }
    }
    request.extensions_mut().insert(viewer);
    next.run(request).await
}

fn refuse_api(status: StatusCode, why: &str) -> Response {
    (status, axum::Json(serde_json::json!({ "error": why }))).into_response()
}

/// A text as part of a query.
#[must_use]
pub fn encode(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~' | b'/') {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

impl FromRequestParts<App> for Viewer {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Response> {
        Ok(parts
            .extensions
            .get::<Self>()
            .cloned()
            .unwrap_or_else(|| viewer(app, &parts.uri, &parts.headers)))
    }
}

/// A form that was sent: by whom, and with what. Only one that our own page made
/// for this very session gets here.
#[derive(Debug)]
pub struct Posted {
    /// Who sent it.
    pub viewer: Viewer,
    /// What stands in it.
    pub fields: Fields,
}

impl FromRequest<App> for Posted {
    type Rejection = Response;

    async fn from_request(request: Request, app: &App) -> Result<Self, Response> {
        let (mut parts, body) = request.into_parts();
        let viewer = Viewer::from_request_parts(&mut parts, app).await?;
        let refuse = |status, why: &str| layout::failure(&viewer, status, why);
        let words = viewer.words;
        if !from_our_page(&parts.headers) {
            return Err(refuse(StatusCode::FORBIDDEN, words.say("error.foreign")));
        }
        let request = Request::from_parts(parts, body);
        let most = if request.uri().path() == year::SEND {
            year::LARGEST_FILE
        } else {
            LARGEST_BODY
        };
        let fields = Fields::read(request, most).await.map_err(|error| {
            layout::failed(&viewer, StatusCode::BAD_REQUEST, &error.show(words))
        })?;
        if viewer.csrf.is_empty() || !same(fields.text("csrf"), &viewer.csrf) {
            return Err(refuse(StatusCode::FORBIDDEN, words.say("error.csrf")));
        }
        Ok(Self { viewer, fields })
    }
}

/// A JSON message to the interface behind the page: the session's token comes in
/// the header `x-csrf-token`.
#[derive(Debug)]
pub struct PostedJson {
    /// Who sent it.
    pub viewer: Viewer,
    /// What it says.
    pub value: serde_json::Value,
}

impl FromRequest<App> for PostedJson {
    type Rejection = Response;

    async fn from_request(request: Request, app: &App) -> Result<Self, Response> {
        let (mut parts, body) = request.into_parts();
        let viewer = Viewer::from_request_parts(&mut parts, app).await?;
        let token = parts
            .headers
            .get("x-csrf-token")
            .and_then(|value| value.to_str().ok());
        let ours = !viewer.csrf.is_empty() && same(token.unwrap_or_default(), &viewer.csrf);
        if !ours || !from_our_page(&parts.headers) {
            return Err(refuse_api(
                StatusCode::FORBIDDEN,
                "the header x-csrf-token must carry the token that the session was given",
            ));
        }
        let kind = parts
            .headers
            .get(header::CONTENT_TYPE)
            .and_then(|kind| kind.to_str().ok());
        let bare = kind.and_then(|kind| kind.split(';').next());
        if bare.map(str::trim) != Some("application/json") {
            return Err(refuse_api(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "expected application/json",
            ));
        }
        let bytes = axum::body::to_bytes(body, LARGEST_BODY)
            .await
            .map_err(|_| refuse_api(StatusCode::PAYLOAD_TOO_LARGE, "at most 1 MiB"))?;
        let value = serde_json::from_slice(&bytes)
            .map_err(|error| refuse_api(StatusCode::BAD_REQUEST, &format!("not JSON: {error}")))?;
        Ok(Self { viewer, value })
    }
}

/// Whether a request was made by a page of ours, as far as the browser tells.
#[must_use]
pub fn from_our_page(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    let site = text("sec-fetch-site").is_none_or(|site| matches!(site, "same-origin" | "none"));
    let origin = text("origin").is_none_or(|origin| {
        let host = origin.split_once("://").map(|(_, host)| host);
        host.is_some() && host == text("host")
    });
    site && origin
}

/// The double token of the sign-in form, before there is a session.
#[must_use]
pub fn form_token() -> String {
    token()
}

const HEADERS: [(HeaderName, &str); 7] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
         connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "same-origin"),
    (
        HeaderName::from_static("permissions-policy"),
        "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    ),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

/// Around everything: turns away names that are not ours, and puts the headers on.
pub async fn guard(State(app): State<App>, request: Request, next: Next) -> Response {
    let mut response = if is_our_name(&app, &request) {
        next.run(request).await
    } else {
        (
            StatusCode::MISDIRECTED_REQUEST,
            "This page listens on the loopback interface and answers to localhost only.\n",
        )
            .into_response()
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    if app.secure() {
        headers.insert(
            header::STRICT_TRANSPORT_SECURITY,
            HeaderValue::from_static("max-age=31536000"),
        );
    }
    response
}

/// On loopback, without a proxy in front, a page of somewhere else could have its
/// own name point here (DNS rebinding): only the machine's own names are answered.
fn is_our_name(app: &App, request: &Request) -> bool {
    let loopback = app
        .given
        .settings
        .listen
        .is_some_and(|listen| listen.ip().is_loopback());
    if !loopback || app.given.settings.behind_proxy {
        return true;
    }
    let host = request
        .headers()
        .get(header::HOST)
        .and_then(|host| host.to_str().ok());
    let Some(host) = host else { return false };
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|byte| byte.is_ascii_digit()) => name,
        _ => host,
    };
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    name.eq_ignore_ascii_case("localhost")
        || bare
            .parse::<IpAddr>()
            .is_ok_and(|address| address.is_loopback())
}
