//! The command line as its users meet it: the real program, files in a folder, words in pipes.

mod bad_input;
mod bare_files;
mod begin;
mod check;
mod interrupted;
mod listing;
mod yard;
