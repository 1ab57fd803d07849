//! Insulating oil over paper: what the paper gives back while the unit dries.
//!
//! Balance of the oil: `dC/dt = −k(C − a) + p(B − C)`, with `B` the oil's water in balance with the paper and `p` how fast
//! it follows the paper. One body with a level to tend to fits it exactly, at the rate `k + p`: no run tells the two
//! apart. Between runs the oil rises at the rate `p` alone.

use super::RunInput;

/// Whether paper under the oil gives its water back; not said counts as no.
pub(super) fn holds_paper(input: &RunInput<'_>) -> bool {
    input
        .reservoir
        .and_then(|reservoir| reservoir.paper_insulated)
        .unwrap_or(false)
}
