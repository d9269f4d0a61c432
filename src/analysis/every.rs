//! The time-resolved log of a record: a measurement for every stretch of it.

use super::channel::LEAST_SAMPLES;
use super::measurement::Measurement;
use super::options::MeasureOptions;
use super::whole::{BLOCK_FRAMES, measure_whole};
use crate::capture::{Capture, FrameSource, MemorySource, read_frames};
use crate::{Error, ErrorKind};
use ndarray::Array2;

/// One measurement for each stretch of `every_s`, each read into memory by itself.
pub(super) fn measure_every(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
    every_s: f64,
) -> Result<Vec<Measurement>, Error> {
    source.rewind()?;
    let rate_hz = source.header().time_base.sample_rate_hz;
    let frames = (every_s * rate_hz).round();
    if frames < LEAST_SAMPLES as f64 {
        return Err(ErrorKind::BadOption.error(format!(
                "a stretch of {every_s} s holds {frames} samples at {rate_hz} Hz; at least {LEAST_SAMPLES} are needed"
            ),
        ));
    }
    let length = frames.min(1e12) as usize;
    let names = source.header().channels.len();
    let mut block = Array2::zeros((names, BLOCK_FRAMES.min(length)));
    let inner = MeasureOptions {
        every_s: None,
        ..options.clone()
    };
    let mut rows: Vec<Vec<f64>> = vec![Vec::new(); names];
    let mut results: Vec<Vec<Measurement>> = vec![Vec::new(); wanted.len()];
    let mut index = 0usize;
    loop {
        let count = read_frames(source, &mut block)?;
        for (row, values) in rows.iter_mut().zip(block.rows()) {
            row.extend(values.iter().take(count));
        }
        while rows[0].len() >= length
            || (count == 0 && rows[0].len() >= length.div_ceil(2).max(LEAST_SAMPLES))
        {
            let take = rows[0].len().min(length);
            let parts: Vec<Vec<f64>> = rows.iter_mut().map(|r| r.drain(..take).collect()).collect();
            let samples = Array2::from_shape_vec((names, take), parts.concat())
                .map_err(|e| ErrorKind::BadValue.error(e.to_string()))?;
            let capture = Capture::new(source.header().clone(), samples)?;
            let measured = measure_whole(&mut MemorySource::new(&capture), &inner, wanted)?;
            for (result, mut one) in results.iter_mut().zip(measured) {
                one.start_s = Some(index as f64 * length as f64 / rate_hz);
                result.push(one);
            }
            index += 1;
        }
        if count == 0 {
            break;
        }
    }
    if index == 0 {
        return Err(ErrorKind::TooShort.error(format!(
            "the record is shorter than half a stretch of {every_s} s; ask for shorter stretches"
        )));
    }
    Ok(results.concat())
}
