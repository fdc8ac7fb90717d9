//! Line timing from the picture against the truth, small enough for every run; `benches/content` has the whole.

mod figures;
mod reference;
mod trials;
mod world;
