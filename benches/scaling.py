"""How time and memory grow with the record, its channels and the number of files: processor time a sample or a file.

Makes the captures one after the other in a temporary folder and runs humsieve on each, a process of its own from start to
exit; the least of some rounds. The same figure in every row is linear growth. The tables go to benches/results/scaling.md.

    python -m venv VENV && VENV/bin/pip install numpy soundfile
    cargo build --release
    VENV/bin/python benches/scaling.py --program target/release/humsieve

`--longest 9` goes on to a thousand million samples (4 GB, some minutes more). Time nothing while something else runs.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from side_by_side import RATE_WAV, processor, run

CHANNELS = [1, 2, 4, 8, 16, 32, 64]


def made(kind, path, *arguments):
    """Writes a capture, in a process of its own: what the libraries occupy would count in the peak of those that follow."""
    call = f"import side_by_side; side_by_side.write_{kind}({str(path)!r}, *{arguments!r})"
    subprocess.run([sys.executable, "-c", call], cwd=Path(__file__).parent, check=True)


def least(command, rounds):
    """Processor s, wall s and peak MiB of the round that took the least processor time."""
    environment = dict(os.environ)
    return min(run(list(map(str, command)), environment)[:3] for _ in range(rounds))


def cells(figures, count, scale):
    cpu, wall, memory = figures
    return f"{cpu / count * scale:.3g} | {wall / count * scale:.3g} | {memory:.0f}"


def lengths(program, folder, longest, say):
    say("## Length: one channel at 48 kHz, 50 orders over coloured noise; ns a sample\n")
    say("| samples | text, measured: processor | wall | MiB | WAV, measured: processor | wall | MiB | WAV, separated: processor | wall | MiB |")
    say("| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |")
    for power in range(4, longest + 1):
        count, rounds = 10**power, 5 if power < 7 else 3 if power < 8 else 1
        wav, text, out = folder / "length.wav", folder / "length.csv", folder / "clean.wav"
        made("wav", wav, count, RATE_WAV, power)
        of_text = "- | - | -"
        if power <= 7:
            made("csv", text, count, RATE_WAV, power)
            of_text = cells(least([program, "measure", "--format", "jsonl", text], rounds), count, 1e9)
            text.unlink()
        measured = cells(least([program, "measure", "--format", "jsonl", wav], rounds), count, 1e9)
        separated = cells(least([program, "separate", "--force", wav, "-o", out], rounds), count, 1e9)
        say(f"| {count:,} | {of_text} | {measured} | {separated} |")
        wav.unlink()
        out.unlink()


def channels(program, folder, say):
    say("\n## Channels: 10 s of WAV at 48 kHz; ns a sample of a channel\n")
    say("| channels | measured: processor | wall | MiB | separated: processor | wall | MiB |")
    say("| ---: | ---: | ---: | ---: | ---: | ---: | ---: |")
    for count in CHANNELS:
        wav, out = folder / "channels.wav", folder / "clean.wav"
        made("wav", wav, 10 * RATE_WAV, RATE_WAV, count, count)
        samples = 10 * RATE_WAV * count
        measured = cells(least([program, "measure", "--format", "jsonl", wav], 3), samples, 1e9)
        separated = cells(least([program, "separate", "--force", wav, "-o", out], 3), samples, 1e9)
        say(f"| {count} | {measured} | {separated} |")


def files(program, folder, most, say):
    say("\n## Files: text of 10,000 rows; ms a file\n")
    say("| files | processor | wall | MiB |")
    say("| ---: | ---: | ---: | ---: |")
    batch = folder / "batch"
    batch.mkdir()
    there = 0
    for power in range(most + 1):
        count = 10**power
        while there < min(count, 1000):
            made("csv", batch / f"{there:06}.csv", 10_000, 20_000, there)
            there += 1
        # More than a thousand are the same thousand under further names.
        while there < count:
            os.link(batch / f"{there % 1000:06}.csv", batch / f"{there:06}.csv")
            there += 1
        rounds = 5 if power < 3 else 3 if power == 3 else 1
        say(f"| {count:,} | {cells(least([program, 'measure', '--format', 'jsonl', batch], rounds), count, 1e3)} |")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--program", required=True, help="the release build of humsieve")
    parser.add_argument("--longest", type=int, default=8, help="power of ten of the longest record")
    parser.add_argument("--most", type=int, default=5, help="power of ten of the most files")
    options = parser.parse_args()
    program = str(Path(options.program).resolve())
    own = subprocess.run([program, "--version"], check=True, capture_output=True, text=True).stdout.strip()
    folder = Path(tempfile.mkdtemp(prefix="scaling_"))
    lines = []

    def say(line):
        lines.append(line)
        print(line, flush=True)

    try:
        say("# Time and memory by length, channels and files\n")
        say(f"Made by `benches/scaling.py --longest {options.longest}`. {own}; {os.cpu_count()} processors, {processor()}. The least processor "
            "time of one to five runs, each a process of its own from start to exit; wall time and peak memory are that run's.\n")
        lengths(program, folder, options.longest, say)
        channels(program, folder, say)
        files(program, folder, options.most, say)
        if options.longest >= 8 and options.most >= 5:
            Path(__file__).with_name("results").joinpath("scaling.md").write_text("\n".join(lines) + "\n")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
