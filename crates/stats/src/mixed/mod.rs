//! Crossed random effects with known observation variances.
//!
//! y = X b + sum over groups of (effect of the level) + e, with e ~ N(0, known variance + residual
//! variance). Each group is one factor (its levels may be crossed with or nested in others); its
//! effects share an estimated standard deviation, or have known ones level by level. Variance
//! components come from REML (Patterson & Thompson 1971), or are integrated over (half-t priors,
//! Gelman 2006): plug-in intervals are too short where a factor has few levels. Fixed and random
//! effects solve Henderson's equations (Henderson 1975) through a sparse Cholesky factor.

mod answers;
mod climb;
mod dense;
mod entries;
mod gram;
mod graph;
mod integrated;
mod mode;
mod model;
mod posterior;
mod predict;
mod profiled;
mod reduced;
mod reml;
mod sample;
mod selected;
mod slopes;
mod sparse;
mod system;

pub use graph::connected_components;
pub use integrated::fit_integrated;
pub use model::{
    CrossedModel, FixedPrior, Group, Level, LinearPrediction, Outliers, Residual, Spread,
};
pub use posterior::{Component, Posterior};
pub use predict::{EffectDraw, Predicted};
pub use reml::{RemlFit, StandardResidual, fit_reml};
