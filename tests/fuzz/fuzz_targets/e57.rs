//! Any bytes as an E57 file. Every page's checksum is mended first: otherwise nothing but the
//! checksum would ever be tested.

#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let mut file = data.to_vec();
    for page in file.chunks_exact_mut(1024) {
        let sum = crc32c(&page[..1020]);
        page[1020..].copy_from_slice(&sum.to_be_bytes());
    }
    stringline_fuzz::read(&file, "fuzz.e57");
});

/// CRC-32C (Castagnoli), reflected polynomial 0x82F63B78, by a table of bytes.
fn crc32c(bytes: &[u8]) -> u32 {
    const TABLE: [u32; 256] = {
        let mut table = [0; 256];
        let mut byte = 0;
        while byte < 256 {
            let (mut crc, mut bit) = (byte as u32, 0);
            while bit < 8 {
                crc = (crc >> 1) ^ (0x82F6_3B78 & (crc & 1).wrapping_neg());
                bit += 1;
            }
            table[byte] = crc;
            byte += 1;
        }
        table
    };
    !bytes.iter().fold(!0, |crc, byte| (crc >> 8) ^ TABLE[((crc ^ u32::from(*byte)) & 0xFF) as usize])
}
