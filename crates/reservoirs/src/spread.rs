//! How the work on many reservoirs is laid out: the stage itself has no threads.

/// Does the same work for many reservoirs; the caller may lay it over threads.
///
/// Results come in the order of the indexes, so that answers do not depend on who did the work when.
pub trait Spread {
    /// The results of `work` for 0..n, in that order.
    fn map<T: Send>(&self, n: usize, work: impl Fn(usize) -> T + Send + Sync) -> Vec<T>;
}

/// One after the other.
#[derive(Clone, Copy, Debug)]
pub struct InTurn;

impl Spread for InTurn {
    fn map<T: Send>(&self, n: usize, work: impl Fn(usize) -> T + Send + Sync) -> Vec<T> {
        (0..n).map(work).collect()
    }
}
