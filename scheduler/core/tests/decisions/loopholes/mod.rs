//! Ways in which the core might be talked into harm, each found by breaking it in one
//! line of which no other test knew.

mod answers;
mod drives;
mod people;
mod weather;
