//! The journal: the durable record of readings, requests, verdicts and commands.
