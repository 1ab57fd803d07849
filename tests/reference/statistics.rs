//! Statistics against certified data sets, published tables and other libraries.
//!
//! `data/` holds the NIST StRD sets (public domain) and sets made for this project together with the
//! values other libraries give for them (named in the `source` column of each certified file).

mod censored;
mod charts;
mod mixed;
mod passage;
mod read;
mod scores;
mod series;
mod strd;
