//! The stage against invented fleets whose truth is known.

mod at_work;
mod bars;
mod causes;
mod change_points;
mod charts;
mod clusters;
mod faults;
mod fleet_knowing;
mod fleets;
mod gaining;
mod ideal;
mod levels;
mod mixed_causes;
mod past_limit;
mod slow_logs;
mod starts;
mod tally;
mod threshold;
mod workshop;
mod world;
