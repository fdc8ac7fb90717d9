//! What people and other programs see: everything here draws or prints what it is given and computes nothing.

pub mod export;
