"""What a skilled user would script for the same jobs from general-purpose libraries, as fast as those get.

    peer.py measure [--load polars|pyarrow|pandas|map|blocks] [--volts-only] [--processes N] FILE...
    peer.py load    [--load polars|pyarrow|pandas] [--volts-only] FILE...
    peer.py separate [--how blocks|notches] IN OUT

Measuring: offset; mains frequency from a coarse spectral peak, refined by the phase slope of demodulated blocks; 50 harmonics by
least squares over the record (one table of pointers for a block, each block's phase applied to 50 numbers; normal equations in
closed form); averaged periodograms (Hann, 65,536 samples, half overlapping); noise in band without the harmonics' bins. Text by
polars, pyarrow or pandas, `--volts-only` without parsing the times but those at both ends; WAV from a memory map or by blocks.
Separation: 50 harmonics by least squares on blocks of a second, or 20 zero-phase notches. No intervals, no tones, no warnings.
"""

import argparse
import json
import os

import numpy as np

ORDERS = 50
SEGMENT = 1 << 16
CHUNK = 2048 * 1024
LABELS = ["t", "x"]


# ---------------------------------------------------------------------------------------------- in


def rows_from(path):
    """Lines before the first one of two numbers."""
    with open(path, "rb") as file:
        for index, line in enumerate(file):
            try:
                [float(cell) for cell in line.split(b",")[:2]]
                return index
            except ValueError:
                pass
    raise SystemExit(f"no rows in {path}")


def duration(path, skip):
    """From the first to the last time in the file, read from its two ends."""
    with open(path, "rb") as file:
        for _ in range(skip):
            file.readline()
        first = float(file.readline().split(b",")[0])
        file.seek(-200, os.SEEK_END)
        return float(file.read().split()[-1].split(b",")[0]) - first


def read_text(path, how, volts_only):
    """Samples and rate."""
    skip = rows_from(path)
    if how == "polars":
        import polars as pl

        chosen = {"columns": [1], "schema_overrides": {"column_2": pl.Float64}} if volts_only else {
            "new_columns": LABELS, "schema_overrides": [pl.Float64, pl.Float64]}
        frame = pl.read_csv(path, has_header=False, skip_rows=skip, **chosen).rechunk()
        columns = [frame.to_series(i).to_numpy() for i in range(frame.width)]
    elif how == "pyarrow":
        import pyarrow as pa
        import pyarrow.csv as text

        table = text.read_csv(
            path,
            read_options=text.ReadOptions(skip_rows=skip, column_names=LABELS, block_size=4 << 20),
            convert_options=text.ConvertOptions(
                column_types={name: pa.float64() for name in LABELS}, include_columns=LABELS[volts_only:]),
        )
        columns = [column.to_numpy() for column in table.columns]
    else:
        import pandas as pd

        frame = pd.read_csv(path, header=None, skiprows=skip, names=LABELS, dtype=np.float64, engine="c",
                            usecols=LABELS[volts_only:])
        columns = [frame[name].to_numpy() for name in frame.columns]
    x = columns[-1]
    span = duration(path, skip) if volts_only else columns[0][-1] - columns[0][0]
    return x, (len(x) - 1) / span


def open_wav(path, how):
    """Rate, length and a way to read from any sample on."""
    if how == "blocks":
        import soundfile

        file = soundfile.SoundFile(path)

        def read(start, count):
            file.seek(start)
            return file.read(count, dtype="float32")

        return file.samplerate, file.frames, read
    from scipy.io import wavfile

    rate, samples = wavfile.read(path, mmap=True)
    if samples.dtype == np.int16:
        return rate, samples.size, lambda start, count: samples[start : start + count] * np.float32(1 / 32768)
    return rate, samples.size, lambda start, count: samples[start : start + count]


# ------------------------------------------------------------------------------------------- mains


def coarse(x, rate):
    x = np.asarray(x, dtype=np.float64)
    length = 1 << (len(x) - 1).bit_length()
    spectrum = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(len(x)), length))
    step = rate / length
    low = int(40 / step)
    peak = low + int(np.argmax(spectrum[low : int(70 / step) + 2]))
    left, middle, right = np.log(spectrum[peak - 1 : peak + 2])
    return (peak + 0.5 * (left - right) / (left - 2 * middle + right)) * step


def fundamental(read, count, rate):
    """The phase slope of Hann-weighted blocks of four cycles."""
    guess = coarse(read(0, min(count, 1 << 20)), rate)
    length = round(4 * rate / guess)
    blocks, at_once = count // length, max(1, CHUNK // length)
    pointers = np.hanning(length) * np.exp(-2j * np.pi * guess * np.arange(length) / rate)
    table = np.stack([pointers.real, pointers.imag], 1)
    found = np.empty((blocks, 2))
    for first in range(0, blocks, at_once):
        own = min(at_once, blocks - first)
        x = read(first * length, own * length).reshape(own, length)
        found[first : first + own] = x @ table.astype(x.dtype)
    turned = (found[:, 0] + 1j * found[:, 1]) * np.exp(-2j * np.pi * (guess * length / rate * np.arange(blocks) % 1.0))
    phase = np.unwrap(np.angle(turned))
    return guess + np.polyfit(np.arange(blocks) * length / rate, phase, 1)[0] / (2 * np.pi)


def normal(count, turn, orders):
    """AᵀA of 1, cos k·turn·n, sin k·turn·n over n = 0 .. count - 1, in closed form."""

    def sums(multiple):
        half = 0.5 * multiple * turn
        sine = np.sin(half)
        usual = np.abs(sine) > 1e-12
        ratio = np.where(usual, np.sin(count * half) / np.where(usual, sine, 1.0), count)
        return ratio * np.exp(1j * half * (count - 1))

    k = np.arange(1, orders + 1)
    apart, together, alone = sums(k[None] - k[:, None]), sums(k[None] + k[:, None]), sums(k)
    mixed = 0.5 * (together.imag + apart.imag)
    return np.block([
        [np.full((1, 1), float(count)), alone.real[None], alone.imag[None]],
        [alone.real[:, None], 0.5 * (apart.real + together.real), mixed],
        [alone.imag[:, None], mixed.T, 0.5 * (apart.real - together.real)],
    ])


class Harmonics:
    """Least squares over samples as they come."""

    def __init__(self, rate, frequency, length):
        self.turn, self.length = 2 * np.pi * frequency / rate, length
        pointer, powers = np.exp(-1j * self.turn * np.arange(length)), np.ones(length, complex)
        self.table = np.empty((length, 2 * ORDERS))
        for k in range(ORDERS):
            powers *= pointer
            self.table[:, k], self.table[:, ORDERS + k] = powers.real, powers.imag
        self.tables = {np.dtype(kind): self.table.astype(kind) for kind in ("f4", "f8")}
        self.count, self.sum, self.found = 0, 0.0, np.zeros(ORDERS, complex)

    def add(self, x):
        """A whole number of blocks, but for the last call."""
        table = self.tables[x.dtype]
        blocks = len(x) // self.length
        if blocks:
            z = (x[: blocks * self.length].reshape(blocks, self.length) @ table).astype(float)
            z = z[:, :ORDERS] + 1j * z[:, ORDERS:]
            starts = np.exp(-1j * (self.turn * (self.count + self.length * np.arange(blocks)) % (2 * np.pi)))
            powers = np.ones(blocks, complex)
            for k in range(ORDERS):
                powers *= starts
                self.found[k] += powers @ z[:, k]
        rest = x[blocks * self.length :]
        if len(rest):
            z = (rest @ table[: len(rest)]).astype(float)
            k = np.arange(1, ORDERS + 1)
            start = self.turn * (self.count + blocks * self.length)
            self.found += (z[:ORDERS] + 1j * z[ORDERS:]) * np.exp(-1j * start * k)
        self.sum += float(x.sum(dtype=float))
        self.count += len(x)

    def solve(self):
        right = np.concatenate([[self.sum], self.found.real, -self.found.imag])
        fitted = np.linalg.solve(normal(self.count, self.turn, ORDERS), right)
        return fitted[0], np.hypot(fitted[1 : ORDERS + 1], fitted[ORDERS + 1 :]) / np.sqrt(2)


class Periodograms:
    """Averaged periodograms of samples as they come."""

    def __init__(self, rate, segment, kind):
        import scipy.fft

        self.rfft, self.rate, self.segment = scipy.fft.rfft, rate, segment
        window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(segment) / segment)
        self.window, self.scale = window.astype(kind), 2 / (rate * (window * window).sum())
        self.power, self.records, self.kept = np.zeros(segment // 2 + 1), 0, np.empty(0, kind)

    def add(self, x):
        x = np.concatenate([self.kept, x])
        hop = self.segment // 2
        records = (len(x) - self.segment) // hop + 1 if len(x) >= self.segment else 0
        if records:
            view = np.lib.stride_tricks.sliding_window_view(x, self.segment)[::hop][:records]
            for first in range(0, records, 16):
                part = view[first : first + 16] - view[first : first + 16].mean(1, keepdims=True)
                part *= self.window
                bins = self.rfft(part, axis=1, overwrite_x=True)
                self.power += (bins.real**2 + bins.imag**2).sum(0, dtype=float)
        self.records += records
        self.kept = x[records * hop :].copy()

    def in_band(self, frequency):
        step = self.rate / self.segment
        hz = np.arange(len(self.power)) * step
        order = np.round(hz / frequency)
        free = (hz >= 20) & (hz <= 20e3) & ~((abs(hz - order * frequency) <= 3 * step) & (order <= ORDERS))
        return float(np.sqrt(self.power[free].sum() * self.scale / self.records * step))


def measured(path, options):
    if path.endswith(".wav"):
        rate, count, read = open_wav(path, options.load)
        kind = np.float32
    else:
        x, rate = read_text(path, options.load, options.volts_only)
        count, kind = len(x), np.float64
        if options.job == "load":
            return {"samples": count, "rate": float(rate), "mean": float(x.mean())}
        read = lambda start, length: x[start : start + length]
    frequency = fundamental(read, count, rate)
    harmonics = Harmonics(rate, frequency, 2048 if count >= 1 << 20 else 256)
    periodograms = Periodograms(rate, min(SEGMENT, count), kind)
    for start in range(0, count, CHUNK):
        part = read(start, min(CHUNK, count - start))
        harmonics.add(part)
        periodograms.add(part)
    offset, rms = harmonics.solve()
    return {"file": path, "frequency": float(frequency), "offset": float(offset), "rms": [float(f"{r:.6g}") for r in rms],
            "noise": periodograms.in_band(frequency)}


# -------------------------------------------------------------------------------------- separation


def separate(path, out, how):
    import soundfile

    with soundfile.SoundFile(path) as file:
        rate, count = file.samplerate, file.frames
        head = file.read(20 * rate, dtype="float32").astype(float)
        frequency = fundamental(lambda start, length: head[start : start + length], len(head), rate)
        file.seek(0)
        if how == "notches":
            from scipy.signal import iirnotch, sosfiltfilt, tf2sos

            sections = np.concatenate([tf2sos(*iirnotch(k * frequency, 30.0, rate)) for k in range(1, 21)])
            cleaned = sosfiltfilt(sections, file.read(dtype="float32"))
            return soundfile.write(out, cleaned.astype(np.float32), rate, "FLOAT")
        angle = 2 * np.pi * frequency / rate * np.outer(np.arange(rate), np.arange(1, ORDERS + 1))
        design = np.concatenate([np.cos(angle), np.sin(angle)], 1)
        fit, design = np.linalg.pinv(design).T.astype(np.float32), np.ascontiguousarray(design.T.astype(np.float32))
        with soundfile.SoundFile(out, "w", rate, 1, "FLOAT") as cleaned:
            for x in file.blocks(32 * rate, dtype="float32"):
                blocks = x[: len(x) // rate * rate].reshape(-1, rate)
                blocks -= (blocks @ fit) @ design
                cleaned.write(x)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("job", choices=["measure", "load", "separate"])
    parser.add_argument("--load", default="polars")
    parser.add_argument("--how", default="blocks", choices=["blocks", "notches"])
    parser.add_argument("--volts-only", action="store_true")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("files", nargs="+")
    options = parser.parse_args()
    files = options.files
    if options.job == "separate":
        return separate(*files, options.how)
    if len(files) == 1 and os.path.isdir(files[0]):
        files = sorted(os.path.join(files[0], name) for name in os.listdir(files[0]))
    if options.processes > 1:
        import functools
        import multiprocessing

        with multiprocessing.get_context("fork").Pool(options.processes) as pool:
            found = pool.map(functools.partial(measured, options=options), files, chunksize=16)
    else:
        found = (measured(file, options) for file in files)
    for one in found:
        print(json.dumps(one))


if __name__ == "__main__":
    main()
