//! A program on this machine, the message on its standard input. Never a shell:
//! nothing in an alarm or a name can become a command.

use std::process::Stdio;
use std::sync::Arc;
use tokio::io::AsyncWriteExt;
use tokio::process::Command;

/// Runs it once. It ends with this future, should nobody wait any longer.
pub(super) async fn run(words: &[String], message: &Arc<str>) -> Result<(), String> {
    let Some((program, arguments)) = words.split_first() else {
        return Err("there is no program to run".to_owned());
    };
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .spawn()
        .map_err(|error| format!("{program} cannot be run: {error}"))?;
    if let Some(mut input) = child.stdin.take() {
        // One that does not read its input has its reasons: its end says how it went.
        let line = format!("{message}\n");
        let _ = input.write_all(line.as_bytes()).await;
    }
    let status = child
        .wait()
        .await
        .map_err(|error| format!("{program} cannot be waited for: {error}"))?;
    if status.success() {
        Ok(())
    } else {
        Err(format!("{program} ended with {status}"))
    }
}
