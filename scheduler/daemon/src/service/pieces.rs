//! A list that grows to ten thousands without its beginning being moved each time: what
//! comes out of a gust, while there is no time for that.

/// So many stand together at most, where they come one by one.
const PIECE: usize = 256;

#[derive(Debug)]
pub(super) struct Pieces<T>(Vec<Vec<T>>);

impl<T> Pieces<T> {
    pub(super) const fn new() -> Self {
        Self(Vec::new())
    }

    /// Puts one at the end.
    pub(super) fn push(&mut self, one: T) {
        match self.0.last_mut() {
            Some(last) if last.len() < PIECE => last.push(one),
            Some(_) => {
                let mut piece = Vec::with_capacity(PIECE);
                piece.push(one);
                self.0.push(piece);
            }
            // Most lists stay short.
            None => self.0.push(vec![one]),
        }
    }

    /// Puts several at the end, as one piece.
    pub(super) fn add(&mut self, piece: Vec<T>) {
        self.0.push(piece);
    }

    /// Puts all of another list at the end.
    pub(super) fn append(&mut self, mut other: Self) {
        self.0.append(&mut other.0);
    }

    /// What stands together, in order.
    pub(super) fn pieces(&self) -> impl Iterator<Item = &[T]> {
        self.0.iter().map(Vec::as_slice)
    }

    /// One after the other.
    pub(super) fn iter(&self) -> impl Iterator<Item = &T> {
        self.0.iter().flatten()
    }
}

impl<T> IntoIterator for Pieces<T> {
    type Item = T;
    type IntoIter = core::iter::Flatten<std::vec::IntoIter<Vec<T>>>;

    fn into_iter(self) -> Self::IntoIter {
        self.0.into_iter().flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_keeps_the_order_and_no_piece_grows_large() {
        let mut list = Pieces::new();
        list.add((0..1_000).collect());
        (1_000..3_000).for_each(|n| list.push(n));
        let mut more = Pieces::new();
        (3_000..3_010).for_each(|n| more.push(n));
        list.append(more);
        assert!(list.iter().copied().eq(0..3_010));
        assert!(list.pieces().skip(1).all(|piece| piece.len() <= PIECE));
        assert_eq!(list.pieces().map(<[i32]>::len).sum::<usize>(), 3_010);
        assert!(list.into_iter().eq(0..3_010));
    }
}
