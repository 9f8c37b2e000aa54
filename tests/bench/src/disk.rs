//! How fast the disk is.

use std::io::Write;
use std::path::Path;
use std::time::Instant;

use crate::Result;

const TIMES: usize = 50;

/// Times, in milliseconds, to append 4 KiB to a file and have them on the disk.
pub fn sync_times(folder: &Path) -> Result<Vec<f64>> {
    let mut file = tempfile::tempfile_in(folder)?;
    let mut times = Vec::with_capacity(TIMES);
    for _ in 0..TIMES {
        let start = Instant::now();
        file.write_all(&[7; 4096])?;
        file.sync_data()?;
        times.push(start.elapsed().as_secs_f64() * 1000.0);
    }
    Ok(times)
}
