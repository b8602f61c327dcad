//! Any bytes under the name of a .ply file.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stringline_fuzz::read(data, "fuzz.ply"));
