//! The daemon: MQTT and the real clock around the same core.
