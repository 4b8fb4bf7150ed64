//! The decision core: time, readings and requests go in as values; commands, reasons and the next wake-up come out.
