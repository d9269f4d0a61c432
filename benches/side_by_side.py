"""humsieve beside a tuned script on general-purpose libraries: wall time, processor time, peak memory.

Generates the files into a temporary folder, runs both in turn, each as a process of its own, and writes
a Markdown table of medians and of paired ratios to benches/results/side_by_side.md (at size 1 and without --only;
else it is printed alone).

    python -m venv VENV && VENV/bin/pip install numpy scipy polars soundfile
    cargo build --release
    VENV/bin/python benches/side_by_side.py --program target/release/humsieve --rounds 5 --size 1

`--size 0.1` makes everything a tenth as large. Needs about 1.5 GB of disk and 5 GB of memory at size 1.
"""

import argparse
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ORDERS = 40
RATE_CSV = 100_000
RATE_WAV = 48_000
SEGMENT = 1 << 16

# ---------------------------------------------------------------------------------------- the files


def signal(count, rate, seed, start=0):
    """Offset, mains at 50.013 Hz with falling odd harmonics, one tone, white noise; V."""
    import numpy as np

    t = (np.arange(start, start + count)) / rate
    x = 0.012 + 50e-6 * np.random.default_rng([seed, start]).standard_normal(count)
    for order in (1, 3, 5, 7, 9, 11):
        x += 3e-3 / order**1.5 * np.cos(2 * np.pi * 50.013 * order * t + 0.4 * order)
    return t, x + 2e-4 * np.sin(2 * np.pi * 1234.5 * t)


def write_csv(path, count, rate, seed, preamble=False):
    with open(path, "w", encoding="ascii", newline="\n") as file:
        if preamble:
            file.write("Title,Load cell amplifier\nSamples,%d\nSample interval,%g s\n" % (count, 1 / rate))
            file.write("Vertical range,50 mV\nCoupling,DC\n\n")
        file.write("time (s),volts (V)\n")
        step = 200_000
        for start in range(0, count, step):
            t, x = signal(min(step, count - start), rate, seed, start)
            file.write("\n".join(["%.6f,%.9e" % row for row in zip(t.tolist(), x.tolist())]) + "\n")


def write_wav(path, count, rate, seed):
    import soundfile

    with soundfile.SoundFile(path, "w", rate, 1, subtype="FLOAT") as file:
        step = 1 << 20
        for start in range(0, count, step):
            file.write(signal(min(step, count - start), rate, seed, start)[1].astype("float32"))


def generate(folder, size):
    folder = Path(folder)
    write_csv(folder / "rows.csv", int(10_000_000 * size), RATE_CSV, 1)
    write_csv(folder / "preamble.csv", int(1_000_000 * size), RATE_CSV, 2, preamble=True)
    write_csv(folder / "small.csv", 10_000, RATE_CSV // 10, 3)
    (folder / "batch").mkdir()
    for index in range(max(int(1000 * size), 10)):
        write_csv(folder / "batch" / f"{index:04}.csv", 10_000, RATE_CSV // 10, 10 + index)
    write_wav(folder / "hour.wav", int(3600 * size) * RATE_WAV, RATE_WAV, 4)


# ----------------------------------------------------------------------------------------- the peer


def read_table(path):
    """Samples and rate of a text capture whose table begins below a line that starts with 'time'."""
    import polars as pl

    with open(path, "rb") as file:
        skip = next(i for i, line in enumerate(file) if line.startswith(b"time"))
    frame = pl.read_csv(
        path, skip_rows=skip + 1, has_header=False, new_columns=["t", "x"],
        schema={"t": pl.Float64, "x": pl.Float64},
    )
    t = frame["t"].to_numpy()
    return frame["x"].to_numpy(), (len(t) - 1) / (t[-1] - t[0])


class Harmonics:
    """Block least squares: one design for all blocks of a second, made once a frequency."""

    def __init__(self, frequency, rate, block, orders):
        import numpy as np

        turn = np.exp(2j * np.pi * frequency / rate * (np.arange(block) - 0.5 * (block - 1)))
        powers = np.empty((orders, block), complex)
        powers[0] = turn
        for order in range(1, orders):
            np.multiply(powers[order - 1], turn, out=powers[order])
        self.design = np.concatenate([np.ones((1, block)), powers.real, powers.imag])
        self.normal = self.design @ self.design.T
        self.orders = orders

    def single(self):
        import numpy as np

        self.design, self.normal = self.design.astype(np.float32), self.normal.astype(np.float32)
        return self

    def fit(self, blocks):
        import numpy as np

        return np.linalg.solve(self.normal, self.design @ blocks.T).T

    def phasors(self, coefficients):
        return coefficients[:, 1 : self.orders + 1] - 1j * coefficients[:, self.orders + 1 :]


def mains_frequency(x, rate):
    """The grid's frequency: the peak beside 50 or 60 Hz, refined by the fundamental's phase between blocks."""
    import numpy as np
    import scipy.fft

    n = min(len(x), 1 << 20)
    part = (x[:n] - x[:n].mean()) * np.hanning(n)
    padded = scipy.fft.next_fast_len((4 if n < SEGMENT else 1) * n, real=True)
    power = np.abs(scipy.fft.rfft(part, padded))
    bins = np.arange(len(power)) * rate / padded
    near = (abs(bins - 50) < 0.6) | (abs(bins - 60) < 0.7)
    peak = np.flatnonzero(near)[np.argmax(power[near])]
    low, mid, high = power[peak - 1 : peak + 2]
    frequency = (peak + 0.5 * (low - high) / (low - 2 * mid + high)) * rate / padded
    block = min(int(rate), n // 2)
    count = n // block
    if count >= 2:
        for _ in range(2):
            turn = np.exp(-2j * np.pi * frequency / rate * np.arange(block))
            phasor = (x[: count * block].reshape(count, block) - x[:n].mean()) @ turn
            phase = np.unwrap(np.angle(phasor * np.exp(-2j * np.pi * frequency / rate * block * np.arange(count))))
            frequency += np.polyfit(np.arange(count), phase, 1)[0] * rate / (2 * np.pi * block)
    return frequency


class Periodograms:
    """Averaged periodograms of Hann-weighted segments, half overlapping, from blocks as they come."""

    def __init__(self, rate, segment, kind):
        import numpy as np

        self.rate, self.segment, self.records = rate, segment, 0
        self.window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(segment) / segment)).astype(kind)
        self.power = np.zeros(segment // 2 + 1)
        self.kept = np.zeros(0, kind)

    def push(self, samples):
        import numpy as np
        import scipy.fft

        kept = np.concatenate([self.kept, samples]) if len(self.kept) else samples
        start = 0
        while start + self.segment <= len(kept):
            part = kept[start : start + self.segment]
            spectrum = scipy.fft.rfft((part - part.mean()) * self.window)
            self.power += spectrum.real**2 + spectrum.imag**2
            self.records += 1
            start += self.segment // 2
        self.kept = kept[start:]

    def band_noise(self, frequency):
        """Noise in band: the density beside the harmonics; what they cover counts at the others' level."""
        import numpy as np

        density = self.power * 2 / (self.records * self.rate * (self.window.astype(float) ** 2).sum())
        bins = np.arange(len(density)) * self.rate / self.segment
        order = np.maximum(np.round(bins / frequency), 1)
        free = (abs(bins - order * frequency) > 4 * bins[1]) & (bins > 4 * bins[1])
        return np.sqrt(density[free].mean() * bins[-1])


def show(frequency, offset, phasors, noise):
    import numpy as np

    rms = np.sqrt((np.abs(phasors) ** 2).mean(axis=0) / 2)
    print(f"frequency {frequency:.6f} offset {offset:.9g} hum {np.sqrt((rms**2).sum()):.9g} noise {noise:.9g}")
    for order, value in enumerate(rms, 1):
        print(order, f"{value:.6g}")


def measure_samples(x, rate):
    frequency = mains_frequency(x, rate)
    block = min(int(rate), len(x))
    count = len(x) // block
    harmonics = Harmonics(frequency, rate, block, ORDERS)
    coefficients = harmonics.fit(x[: count * block].reshape(count, block))
    periodograms = Periodograms(rate, min(SEGMENT, len(x)), x.dtype)
    periodograms.push(x)
    show(frequency, coefficients[:, 0].mean(), harmonics.phasors(coefficients), periodograms.band_noise(frequency))


def measure_wav(path):
    import numpy as np
    import soundfile

    with soundfile.SoundFile(path) as file:
        rate = file.samplerate
        frequency = mains_frequency(file.read(20 * rate, dtype="float32").astype(float), rate)
        file.seek(0)
        harmonics = Harmonics(frequency, rate, rate, ORDERS).single()
        periodograms = Periodograms(rate, SEGMENT, np.float32)
        found = []
        for samples in file.blocks(16 * rate, dtype="float32"):
            count = len(samples) // rate
            found.append(harmonics.fit(samples[: count * rate].reshape(count, rate)))
            periodograms.push(samples)
    coefficients = np.vstack(found)
    show(frequency, coefficients[:, 0].mean(), harmonics.phasors(coefficients), periodograms.band_noise(frequency))


def separate_blocks(path, out):
    import numpy as np
    import soundfile

    with soundfile.SoundFile(path) as file:
        rate = file.samplerate
        frequency = mains_frequency(file.read(20 * rate, dtype="float32").astype(float), rate)
        file.seek(0)
        harmonics = Harmonics(frequency, rate, rate, ORDERS).single()
        with soundfile.SoundFile(out, "w", rate, 1, subtype="FLOAT") as cleaned:
            for samples in file.blocks(8 * rate, dtype="float32"):
                count = len(samples) // rate
                blocks = samples[: count * rate].reshape(count, rate)
                cleaned.write((blocks - harmonics.fit(blocks) @ harmonics.design).ravel())
                if len(samples) > count * rate:
                    cleaned.write(samples[count * rate :] - samples[count * rate :].mean())


def separate_notches(path, out):
    import scipy.signal
    import soundfile

    x, rate = soundfile.read(path)
    frequency = mains_frequency(x[: 20 * rate], rate)
    x -= x.mean()
    for order in range(1, 21):
        b, a = scipy.signal.iirnotch(order * frequency, 30 * order, rate)
        x = scipy.signal.filtfilt(b, a, x)
    soundfile.write(out, x, rate, subtype="FLOAT")


def peer(job, arguments):
    if job == "measure":
        for path in arguments:
            if path.endswith(".wav"):
                measure_wav(path)
            else:
                measure_samples(*read_table(path))
    elif job == "folder":
        for path in sorted(Path(arguments[0]).glob("*.csv")):
            measure_samples(*read_table(path))
    elif job == "load":
        x, rate = read_table(arguments[0])
        print(len(x), rate, x.mean())
    elif job == "blocks":
        separate_blocks(*arguments)
    elif job == "notches":
        separate_notches(*arguments)


# -------------------------------------------------------------------------------------- side by side


def run(command, environment):
    """Wall s, processor s and peak MiB of one process, from its start to its exit."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment)
    process.stdout.read()
    errors = process.stderr.read()
    _, status, used = os.wait4(process.pid, 0)
    wall = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))} failed: {errors.decode()[-2000:]}")
    return wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def jobs(folder, program, size):
    """Name, the peer's arguments, humsieve's arguments."""
    rows, hour = folder / "rows.csv", folder / "hour.wav"
    out, other = folder / "cleaned.wav", folder / "cleaned_peer.wav"
    measure = [program, "measure", "--format", "jsonl"]
    return [
        (f"{10 * size:g} million rows of time, volts", ["measure", rows], [*measure, rows]),
        ("the same, only loaded", ["load", rows], [*measure, "--explain-input", rows]),
        (f"{size:g} million rows with a preamble", ["measure", folder / "preamble.csv"], [*measure, folder / "preamble.csv"]),
        (f"{max(int(1000 * size), 10)} files of 10,000 rows", ["folder", folder / "batch"], [*measure, folder / "batch"]),
        ("one file of 10,000 rows", ["measure", folder / "small.csv"], [*measure, folder / "small.csv"]),
        (f"{60 * size:g} min of 48 kHz float WAV", ["measure", hour], [*measure, hour]),
        ("its separation, against block least squares", ["blocks", hour, other], [program, "separate", hour, "-o", out]),
        ("its separation, against 20 zero-phase notches", ["notches", hour, other], [program, "separate", hour, "-o", out]),
    ]


def processor():
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        return next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.processor() or platform.machine()


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--program", required=True, help="the release build of humsieve")
    parser.add_argument("--size", type=float, default=1.0, help="share of the full lengths")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", default="", help="only jobs whose name holds this text")
    parser.add_argument("--files", help="keep the generated files in this folder, and use them again")
    options = parser.parse_args()
    program = str(Path(options.program).resolve())
    folder = Path(options.files or tempfile.mkdtemp(prefix="side_by_side_"))
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    # This process imports no library: what it occupies would count in its children's peak.
    here = [sys.executable, str(Path(__file__).resolve())]
    try:
        if not (folder / "hour.wav").exists():
            folder.mkdir(parents=True, exist_ok=True)
            subprocess.run([*here, "--generate", str(folder), str(options.size)], check=True)
        versions = subprocess.run([*here, "--versions"], check=True, capture_output=True, text=True).stdout.strip()
        own = subprocess.run([program, "--version"], check=True, capture_output=True, text=True).stdout.strip()
        lines = ["# Beside a script on general-purpose libraries\n"]

        def say(line):
            lines.append(line)
            print(line, flush=True)

        say(f"Made by `benches/side_by_side.py --rounds {options.rounds}`. {own}; Python {platform.python_version()}, {versions}; {os.cpu_count()} cores, {processor()}; "
              f"{options.rounds} rounds in turn, medians; ratio: median over the rounds of peer to humsieve.\n")
        say("| job | processor s: peer, humsieve | ratio | wall s: peer, humsieve | ratio | peak MiB: peer, humsieve |")
        say("| --- | ---: | ---: | ---: | ---: | ---: |")
        for name, theirs, ours in jobs(folder, program, options.size):
            if options.only not in name:
                continue
            pairs = []
            for _ in range(options.rounds):
                pairs.append((run([*here, "--peer", *map(str, theirs)], environment), run(list(map(str, ours)), environment)))
            wall, cpu, peak = ([(p[0][i], p[1][i]) for p in pairs] for i in range(3))
            middle = lambda rows, side: statistics.median(row[side] for row in rows)
            ratio = lambda rows: statistics.median(row[0] / max(row[1], 1e-3) for row in rows)
            say(f"| {name} | {middle(cpu, 0):.2f}, {middle(cpu, 1):.3g} | {ratio(cpu):.2g} "
                  f"| {middle(wall, 0):.2f}, {middle(wall, 1):.3g} | {ratio(wall):.2g} "
                  f"| {middle(peak, 0):.0f}, {middle(peak, 1):.0f} |")
        if options.size == 1 and not options.only:
            Path(__file__).with_name("results").joinpath("side_by_side.md").write_text("\n".join(lines) + "\n")
    finally:
        if not options.files:
            shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--peer"]:
        peer(sys.argv[2], sys.argv[3:])
    elif sys.argv[1:2] == ["--generate"]:
        generate(sys.argv[2], float(sys.argv[3]))
    elif sys.argv[1:2] == ["--versions"]:
        import numpy, polars, scipy, soundfile

        print(", ".join(f"{m.__name__} {m.__version__}" for m in (numpy, scipy, polars, soundfile)))
    else:
        main()
