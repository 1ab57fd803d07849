//! Everything that crosses crates: values from outside the project, and the real binary at work.

mod binary;
mod cli;
mod fleet;
mod reference {
    //! Published standards, worked examples and certified data sets.
    mod physics;
    mod statistics;
}
