//! Style, scripts and pictures, out of the program itself. Each is named with a
//! fingerprint of its contents, so that a browser may keep it for ever.

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};
use std::sync::LazyLock;

/// A file of the page.
struct Asset {
    /// What the sources call it.
    name: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
    /// Under which it is served.
    path: String,
}

static ASSETS: LazyLock<Vec<Asset>> = LazyLock::new(|| {
    let script = "text/javascript; charset=utf-8";
    [
        (
            "page.css",
            "text/css; charset=utf-8",
            &include_bytes!("../assets/page.css")[..],
        ),
        ("live.js", script, &include_bytes!("../assets/live.js")[..]),
        (
            "fresh.js",
            script,
            &include_bytes!("../assets/fresh.js")[..],
        ),
        ("wait.js", script, &include_bytes!("../assets/wait.js")[..]),
        (
            "mark.svg",
            "image/svg+xml",
            &include_bytes!("../assets/mark.svg")[..],
        ),
    ]
    .into_iter()
    .map(|(name, kind, bytes)| {
        let sum = Sha256::digest(bytes);
        let short: String = sum
            .iter()
            .take(6)
            .map(|byte| format!("{byte:02x}"))
            .collect();
        Asset {
            name,
            kind,
            bytes,
            path: format!("/assets/{short}-{name}"),
        }
    })
    .collect()
});

/// Where an asset is served. A name that is none gives a path that is not found.
#[must_use]
pub fn path(name: &str) -> &'static str {
    ASSETS
        .iter()
        .find(|asset| asset.name == name)
        .map_or("/assets/none", |asset| asset.path.as_str())
}

/// Serves one.
pub async fn serve(Path(file): Path<String>) -> Response {
    let wanted = ASSETS
        .iter()
        .find(|asset| asset.path.strip_prefix("/assets/") == Some(file.as_str()));
    match wanted {
        Some(asset) => (
            [
                (header::CONTENT_TYPE, asset.kind),
                (header::CACHE_CONTROL, "public, max-age=31536000, immutable"),
            ],
            asset.bytes,
        )
            .into_response(),
        None => StatusCode::NOT_FOUND.into_response(),
    }
}
