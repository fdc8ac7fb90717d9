//! Where readings and events go: the pass file, the dashboard's memory, lines on stdout.
