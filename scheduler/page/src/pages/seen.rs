//! What programs look at: numbers as OpenMetrics text, and whether the service is
//! well and of use, as the answer's status and as JSON.

use crate::house::App;
use crate::pages::{Route, open};
use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use leeside_daemon::seen::{CONTENT_TYPE, Health, Report, health, open_metrics, ready};
use std::time::Duration;

/// A loop that does not answer within this does not turn.
const PATIENCE: Duration = Duration::from_secs(5);

/// The routes.
pub(crate) fn routes() -> Vec<Route> {
    vec![
        open("/metrics", false, get(metrics)),
        open("/healthz", false, get(healthz)),
        open("/readyz", false, get(readyz)),
    ]
}

async fn report(app: &App) -> Option<Box<Report>> {
    tokio::time::timeout(PATIENCE, app.given.door.how_is_it())
        .await
        .ok()?
        .ok()
}

async fn metrics(State(app): State<App>) -> Response {
    match report(&app).await {
        Some(report) => (
            [(header::CONTENT_TYPE, CONTENT_TYPE)],
            open_metrics(&report),
        )
            .into_response(),
        None => StatusCode::SERVICE_UNAVAILABLE.into_response(),
    }
}

async fn healthz(State(app): State<App>) -> Response {
    said(health(report(&app).await.as_deref(), 0.0))
}

async fn readyz(State(app): State<App>) -> Response {
    said(ready(report(&app).await.as_deref(), 0.0))
}

fn said(health: Health) -> Response {
    let status = if health.well {
        StatusCode::OK
    } else {
        StatusCode::SERVICE_UNAVAILABLE
    };
    (status, Json(health)).into_response()
}
