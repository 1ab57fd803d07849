//! Whole pages and mails of small worlds: none, one unit, one without samples, and awkward names.

mod mail;
mod pages;
mod world;
