//! Any bytes as a 3MF file and, as archives resist mutation, as the model inside a sound one.

#![no_main]

use std::io::{Cursor, Write};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    if data.starts_with(b"PK") {
        stringline_fuzz::read(data, "fuzz.3mf");
        return;
    }
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let stored = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    zip.start_file("3D/3dmodel.model", stored).and_then(|()| Ok(zip.write_all(data)?)).expect("writing to memory");
    let file = zip.finish().expect("writing to memory").into_inner();
    stringline_fuzz::read(&file, "fuzz.3mf");
});
