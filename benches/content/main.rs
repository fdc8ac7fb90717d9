//! Line timing from the picture against the truth, as tables: `cargo bench --bench content -- [WORD…]`.
//!
//! Runs only the cells that have every word among their names: a table (`bound`, `motion`, `steady`, `rowshift`), a picture, a motion,
//! a jitter, rows of a field, a noise (`38dB`), `flat` or `coloured` noise. Pictures beyond those in `fixtures/pictures` are fetched by `scripts/pictures`; cells without their
//! picture are named and left out. Each figure stands beside its target.
#![expect(
    clippy::print_stdout,
    reason = "the tables are what this program is for"
)]

mod rowshift;
mod run;
mod tables;
#[path = "../../tests/content/world/mod.rs"]
mod world;

fn main() {
    let words: Vec<String> = std::env::args()
        .skip(1)
        .filter(|word| !word.starts_with("--"))
        .collect();
    tables::print(&words);
    rowshift::print(&words);
}
