//! The sun and the geometry of facades, openings and slats: numbers in, numbers out.
