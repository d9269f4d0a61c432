"""humsieve beside the fastest script on general-purpose libraries: processor time, wall time, peak memory.

Makes the captures in a temporary folder, tries every variant of the peer (benches/peer.py) once for each job, keeps the one that
takes least processor time, and runs it and humsieve in turn, each a process of its own from start to exit. Medians and paired
ratios go to benches/results/speed.md (at size 1 and without --only; else they are printed alone).

    python -m venv VENV && VENV/bin/pip install numpy scipy polars pyarrow pandas soundfile
    cargo build --release
    VENV/bin/python benches/side_by_side.py --program target/release/humsieve --rounds 5 --size 1

`--size 0.1` makes everything a tenth as large. Needs about 2 GB of disk and 2 GB of memory at size 1. Time nothing while
something else runs: the share of the processors that others took meanwhile is told.
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

FREQUENCY = 50.03
RATE_WAV = 48_000

# -------------------------------------------------------------------------------------- the captures


def signal(start, count, rate, rng):
    """Mains of 50 orders, white noise and a staircase of slow noise; V."""
    import numpy as np

    orders = np.arange(1, 51)
    rms = np.where(orders % 2 == 1, 1.0, 0.12) * 1e-3 / orders**1.15
    phases = np.random.default_rng(5).uniform(-np.pi, np.pi, 50)
    pointer = np.exp(2j * np.pi * (FREQUENCY * (start + np.arange(count)) / rate % 1.0))
    x = np.zeros(count, complex)
    for amplitude in (np.sqrt(2) * rms * np.exp(1j * phases))[::-1]:
        x = (x + amplitude) * pointer
    stairs = np.repeat(rng.standard_normal(count // 64 + 1), 64)[:count]
    return x.real + 60e-6 * rng.standard_normal(count) + 30e-6 * stairs


def write_csv(path, count, rate, seed, preamble=False):
    import numpy as np

    rng = np.random.default_rng(seed)
    with open(path, "w", encoding="ascii", newline="\r\n" if preamble else "\n") as file:
        if preamble:
            file.write(f"Title,Load cell amplifier\nSamples,{count}\nSample interval,{1 / rate:.9E} s\n")
            file.write("Vertical range,500 mV\nCoupling,DC\n\n")
        file.write("time (s),volts (V)\n")
        form = "%.9E,%.9E" if preamble else "%.9g,%.9g"
        for start in range(0, count, 200_000):
            own = min(200_000, count - start)
            t = (np.arange(start, start + own) - (count // 2 if preamble else 0)) / rate
            x = signal(start, own, rate, rng) + 0.083
            file.write("\n".join([form % row for row in zip(t.tolist(), x.tolist())]) + "\n")


def write_wav(path, count, rate, seed, channels=1):
    import numpy as np
    import soundfile

    rng = np.random.default_rng(seed)
    with soundfile.SoundFile(path, "w", rate, channels, subtype="FLOAT") as file:
        for start in range(0, count, 1 << 20):
            own = min(1 << 20, count - start)
            file.write(np.stack([signal(start, own, rate, rng) for _ in range(channels)], 1).astype("float32"))


def generate(folder, size):
    folder = Path(folder)
    write_csv(folder / "rows.csv", int(10_000_000 * size), 97_656.25, 1)
    write_csv(folder / "preamble.csv", int(1_000_000 * size), 1e6, 2, preamble=True)
    (folder / "batch").mkdir()
    for index in range(max(int(1000 * size), 10)):
        write_csv(folder / "batch" / f"{index:04}.csv", 10_000, 20_000, 10 + index)
    write_wav(folder / "channels.wav", int(600 * size) * RATE_WAV // 10, RATE_WAV, 3, channels=32)
    write_wav(folder / "hour.wav", int(3600 * size) * RATE_WAV, RATE_WAV, 4)


# -------------------------------------------------------------------------------------- side by side


def busy():
    """Processor seconds used on this machine so far."""
    try:
        own = [int(x) for x in Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:9]]
        return (sum(own) - own[3] - own[4]) / os.sysconf("SC_CLK_TCK")
    except OSError:
        return 0.0


def run(command, environment):
    """Processor s, wall s, peak MiB and the processors that others kept busy, of one process from start to exit."""
    before, start = busy(), time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=environment)
    errors = process.stderr.read()
    _, status, used = os.wait4(process.pid, 0)
    wall = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))} failed: {errors.decode()[-2000:]}")
    cpu = used.ru_utime + used.ru_stime
    return cpu, wall, used.ru_maxrss / 1024, max(0.0, (busy() - before - cpu) / wall)


def jobs(folder, program, size):
    """Name, variants of the peer, humsieve's arguments, ratio of processor times that is to be reached."""
    rows, preamble, batch, hour = (folder / name for name in ("rows.csv", "preamble.csv", "batch", "hour.wav"))
    one, out, other = batch / "0000.csv", folder / "cleaned.wav", folder / "cleaned_peer.wav"
    volts = [["--load", how, "--volts-only"] for how in ("polars", "pyarrow")]
    text = [*[["--load", how] for how in ("polars", "pyarrow", "pandas")], *volts]
    both = [["--load", how, "--processes", "2"] for how in ("pyarrow", "pandas")]
    wav = [["--load", how] for how in ("map", "blocks")]
    measure, separate = [program, "measure", "--format", "jsonl"], [program, "separate", "--force"]

    def peers(job, variants, *files):
        return [[job, *variant, *files] for variant in variants]

    return [
        (f"{10 * size:g} million rows of time, volts", peers("measure", text, rows), [*measure, rows], 3),
        ("the same, only loaded", peers("load", text, rows), [*measure, "--explain-input", rows], 3),
        (f"{size:g} million rows with a preamble", peers("measure", text, preamble), [*measure, preamble], 8),
        (f"{max(int(1000 * size), 10)} files of 10,000 rows", peers("measure", text + both, batch), [*measure, batch], 3),
        ("one file of 10,000 rows", peers("measure", text, one), [*measure, one], 60),
        (f"{60 * size:g} min of 48 kHz float WAV", peers("measure", wav, hour), [*measure, hour], 2),
        ("its separation, against least squares on blocks", peers("separate", [["--how", "blocks"]], hour, other),
         [*separate, hour, "-o", out], 1),
        ("its hum for every second (`--every 1`)", [], [*measure, "--every", "1", hour], None),
        (f"{60 * size:g} s of 32 channels at 48 kHz", [], [*measure, folder / "channels.wav"], None),
        ("separation of one file of 10,000 rows", [], [*separate, one, "-o", folder / "cleaned.csv"], None),
    ]


def processor():
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        return next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.processor() or platform.machine()


def versions():
    import numpy, pandas, polars, pyarrow, scipy, soundfile

    return ", ".join(f"{m.__name__} {m.__version__}" for m in (numpy, scipy, polars, pyarrow, pandas, soundfile))


def row(job, options, environment):
    """One line of the table."""
    name, peers, ours, reach = job
    script = [sys.executable, str(Path(__file__).with_name("peer.py"))]
    tried = sorted(((run([*script, *map(str, peer)], environment)[0], peer) for peer in peers), key=lambda t: t[0])
    fastest = [*script, *map(str, tried[0][1])] if tried else None
    pairs = []
    for _ in range(options.rounds):
        own = run(list(map(str, ours)), environment)
        pairs.append((run(fastest, environment) if fastest else None, own))
    middle = lambda side, i: statistics.median(pair[side][i] for pair in pairs)
    others = max(side[3] for pair in pairs for side in pair if side)
    if not fastest:
        return f"| {name} | | {middle(1, 0):.3g} | | | {middle(1, 1):.3g} | | {middle(1, 2):.0f} | {others:.2f} |"
    ratio = lambda i: statistics.median(pair[0][i] / max(pair[1][i], 1e-3) for pair in pairs)
    which = " ".join(word.lstrip("-") for word in tried[0][1][1:] if str(word).startswith("--") or word in ("polars", "pyarrow", "pandas", "map", "blocks", "2"))
    return (f"| {name} | {middle(0, 0):.2f} ({which}) | {middle(1, 0):.3g} | {ratio(0):.2g} ({reach}) "
            f"| {middle(0, 1):.2f} | {middle(1, 1):.3g} | {ratio(1):.2g} | {middle(0, 2):.0f}, {middle(1, 2):.0f} | {others:.2f} |")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--program", required=True, help="the release build of humsieve")
    parser.add_argument("--size", type=float, default=1.0, help="share of the full lengths")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", default="", help="only jobs whose name holds this text")
    parser.add_argument("--files", help="keep the captures in this folder, and use them again")
    options = parser.parse_args()
    program = str(Path(options.program).resolve())
    folder = Path(options.files or tempfile.mkdtemp(prefix="side_by_side_"))
    # A processor type that the machine's settings name for linear algebra would slow the peer down.
    environment = {k: v for k, v in os.environ.items() if not k.startswith("OPENBLAS_")}
    environment.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    # This process imports no library: what it occupies would count in its children's peak.
    here = [sys.executable, str(Path(__file__).resolve())]
    try:
        if not (folder / "hour.wav").exists():
            folder.mkdir(parents=True, exist_ok=True)
            subprocess.run([*here, "--generate", str(folder), str(options.size)], check=True)
        libraries = subprocess.run([*here, "--versions"], check=True, capture_output=True, text=True).stdout.strip()
        own = subprocess.run([program, "--version"], check=True, capture_output=True, text=True).stdout.strip()
        lines = []

        def say(line):
            lines.append(line)
            print(line, flush=True)

        say("# Beside the fastest script on general-purpose libraries\n")
        say(f"Made by `benches/side_by_side.py --rounds {options.rounds}`: the fastest variant of `benches/peer.py` and humsieve in turn, each a process "
            f"of its own. {own}; Python {platform.python_version()}, {libraries}, one BLAS thread; {os.cpu_count()} processors, {processor()}. Medians; ratio: "
            "median over the rounds of peer to humsieve, in brackets the one to be reached; others: processors that other processes kept busy, at most.\n")
        say("| job | peer, processor s | humsieve | ratio | peer, wall s | humsieve | ratio | MiB: peer, humsieve | others |")
        say("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |")
        for job in jobs(folder, program, options.size):
            if options.only in job[0]:
                say(row(job, options, environment))
        if options.size == 1 and not options.only:
            Path(__file__).with_name("results").joinpath("speed.md").write_text("\n".join(lines) + "\n")
    finally:
        if not options.files:
            shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--generate"]:
        generate(sys.argv[2], float(sys.argv[3]))
    elif sys.argv[1:2] == ["--versions"]:
        print(versions())
    else:
        main()
