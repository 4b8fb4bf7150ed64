//! How input is damaged.

use crate::rng::Rng;

/// Longer than this, nothing is made.
const LONGEST: usize = 64 * 1024;
/// Numbers at whose edges readers slip.
const NUMBERS: [&str; 24] = [
    "0",
    "-0",
    "-1",
    "1e999",
    "-1e999",
    "1e-999",
    "NaN",
    "nan",
    "inf",
    "-inf",
    "255",
    "256",
    "32768",
    "65536",
    "2147483648",
    "-2147483649",
    "4294967296",
    "9007199254740993",
    "9223372036854775807",
    "-9223372036854775808",
    "18446744073709551616",
    "0.000000000000000000000000000001",
    "99999999999999999999999999999999999999",
    "0x7fffffff",
];
/// Bytes that mean something to somebody.
const BYTES: [u8; 20] = [
    0, 1, 9, 10, 13, 27, b'"', b'\'', b',', b':', b';', b'=', b'[', b']', b'{', b'}', b'\\', 0x7f,
    0x80, 0xff,
];

/// One of the seeds, damaged in one to eight ways.
pub(crate) fn damaged(seeds: &[Vec<u8>], words: &[&str], rng: &mut Rng) -> Vec<u8> {
    let mut input = seeds[rng.index(seeds.len())].clone();
    let times = 1 + rng.index(8);
    // Now and then numbers only, so that what is very regular is read to its end.
    let only_numbers = rng.once_in(3);
    for _ in 0..times {
        if only_numbers {
            let at = rng.index(input.len() + 1);
            number(&mut input, at, rng);
            continue;
        }
        hurt(&mut input, seeds, words, rng);
        input.truncate(LONGEST);
    }
    input
}

fn hurt(input: &mut Vec<u8>, seeds: &[Vec<u8>], words: &[&str], rng: &mut Rng) {
    let at = rng.index(input.len() + 1);
    let length = 1 + rng.index(24);
    let to = (at + length).min(input.len());
    match rng.index(11) {
        0 if at < input.len() => input[at] ^= 1 << rng.index(8),
        1 if at < input.len() => input[at] = rng.pick(&BYTES),
        2 => insert(input, at, &[rng.pick(&BYTES)]),
        3 => drop(input.drain(at..to)),
        4 => {
            let piece = input[at..to].to_vec();
            let there = rng.index(input.len() + 1);
            insert(input, there, &piece);
        }
        5 => {
            // A piece of another one.
            let other = &seeds[rng.index(seeds.len())];
            let from = rng.index(other.len() + 1);
            let end = (from + 1 + rng.index(400)).min(other.len());
            insert(input, at, &other[from..end]);
        }
        6 => number(input, at, rng),
        7 if !words.is_empty() => insert(input, at, rng.pick(words).as_bytes()),
        8 if !words.is_empty() => {
            input.drain(at..to);
            insert(input, at, rng.pick(words).as_bytes());
        }
        9 => line(input, at, rng),
        10 if rng.once_in(8) => input.truncate(at),
        _ => insert(input, at, rng.pick(&NUMBERS).as_bytes()),
    }
}

fn insert(input: &mut Vec<u8>, at: usize, piece: &[u8]) {
    let at = at.min(input.len());
    input.splice(at..at, piece.iter().copied());
}

/// The next number after a place becomes another one.
fn number(input: &mut Vec<u8>, at: usize, rng: &mut Rng) {
    let is_digit = |byte: &u8| byte.is_ascii_digit() || *byte == b'.';
    let Some(from) = input[at..].iter().position(is_digit).map(|n| at + n) else {
        return;
    };
    let length = input[from..]
        .iter()
        .take_while(|byte| is_digit(byte))
        .count();
    input.splice(from..from + length, rng.pick(&NUMBERS).bytes());
}

/// The line at a place is doubled, or goes, or changes place.
fn line(input: &mut Vec<u8>, at: usize, rng: &mut Rng) {
    let from = input[..at]
        .iter()
        .rposition(|b| *b == b'\n')
        .map_or(0, |n| n + 1);
    let to = input[at..]
        .iter()
        .position(|b| *b == b'\n')
        .map_or(input.len(), |n| at + n + 1);
    let piece = input[from..to].to_vec();
    match rng.index(3) {
        0 => insert(input, to, &piece),
        1 => drop(input.drain(from..to)),
        _ => {
            input.drain(from..to);
            let there = rng.index(input.len() + 1);
            insert(input, there, &piece);
        }
    }
}
