"""Captures measured on many workers: a map over parts of the list, and a join.

Each task measures a part of the list with one process of humsieve and writes one Parquet file for it, complete or absent;
Dask distributed hands the parts out and hands those of a worker that dies to another. A part's file is named by its place in
the list, so that nothing is measured into two files; a part whose file stands is not measured again. Captures may lie in
any store that fsspec opens: what is not a local file is copied to the worker first.

    python -m venv VENV && VENV/bin/pip install dask distributed fsspec pyarrow
    cargo build --release
    VENV/bin/python benches/scale_out.py --program target/release/humsieve --out results 'captures/**/*.csv'

On a cluster: start its scheduler and workers, and name the scheduler with --scheduler tcp://host:8786. `--kill` kills one
worker half-way, `--check` measures everything again in one process and compares, line by line: what the figures in
benches/results/scale_out.md were taken with.

The same without an engine, results as JSON lines. A job array of 100, task $K; run it again where it was killed:

    humsieve measure captures --shard $K/100 --format jsonl --resume part$K.jsonl >> part$K.jsonl

and on one machine, a process for every core and 500 captures, with GNU parallel or xargs:

    find captures -name '*.csv' | parallel --pipe -N 500 humsieve measure --files-from - --jobs 1 --format jsonl > all.jsonl
    find captures -name '*.csv' -print0 | xargs -0 -n 500 -P 2 sh -c 'humsieve measure --jobs 1 --format jsonl "$@" > part$$.jsonl' sh
"""

import argparse
import glob
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import dask
import fsspec
import pyarrow as pa
import pyarrow.parquet as pq
from distributed import Client, LocalCluster, as_completed

# Columns of the Parquet files, each with its way into a line of JSON; the line itself goes with them.
COLUMNS = {
    "file": ("file",),
    "channel": ("channel",),
    "sample_rate_hz": ("sample_rate_hz",),
    "samples": ("samples",),
    "dc_offset": ("dc_offset", "value"),
    "dc_offset_low": ("dc_offset", "low"),
    "dc_offset_high": ("dc_offset", "high"),
    "mains_detected": ("mains", "detected"),
    "mains_frequency_hz": ("mains", "frequency_hz", "value"),
    "hum_rms": ("mains", "hum_rms", "value"),
    "hum_rms_low": ("mains", "hum_rms", "low"),
    "hum_rms_high": ("mains", "hum_rms", "high"),
    "noise_rms": ("noise", "rms", "value"),
    "noise_rms_low": ("noise", "rms", "low"),
    "noise_rms_high": ("noise", "rms", "high"),
    "error_kind": ("error", "kind"),
    "error": ("error", "message"),
}
TEXTS = {"file", "channel", "error_kind", "error", "json"}
WHOLE = {"samples"}
YES_OR_NO = {"mains_detected"}


def kind_of(name):
    return pa.string() if name in TEXTS else pa.int64() if name in WHOLE else pa.bool_() if name in YES_OR_NO else pa.float64()


SCHEMA = pa.schema([(name, kind_of(name)) for name in [*COLUMNS, "json"]])


def at(line, way):
    for key in way:
        line = line.get(key) if isinstance(line, dict) else None
    return line


def measured(program, files, options):
    """JSON lines of captures, in their order, from one process; its status 3 says that some could not be read."""
    found = subprocess.run(
        [program, "measure", "--files-from", "-", "--jobs", "1", "--format", "jsonl", "--quiet", *options],
        input="".join(f"{file}\n" for file in files).encode(), capture_output=True,
    )
    if found.returncode not in (0, 1, 3):
        raise RuntimeError(found.stderr.decode(errors="replace")[-2000:])
    return [json.loads(line) for line in found.stdout.splitlines()]


def local(files, folder):
    """Names of local files with the captures in them: the captures themselves, or copies."""
    for index, file in enumerate(files):
        if "://" not in file:
            yield file
            continue
        copy = os.path.join(folder, f"{index}{Path(file).suffix}")
        with fsspec.open(file, "rb") as there, open(copy, "wb") as here:
            shutil.copyfileobj(there, here, 1 << 20)
        yield copy


def measure_part(program, index, files, out, options):
    """Measures a part of the list into its Parquet file; how many lines that holds."""
    target = Path(out) / f"part{index:06}.parquet"
    if target.exists():
        return pq.read_metadata(target).num_rows
    with tempfile.TemporaryDirectory() as folder:
        names = list(local(files, folder))
        lines = measured(program, names, options)
    back = dict(zip(names, files))
    for line in lines:
        line["file"] = back.get(line["file"], line["file"])
    if {line["file"] for line in lines} != set(files):
        raise RuntimeError(f"part {index}: not every capture was answered")
    columns = {name: [at(line, way) for line in lines] for name, way in COLUMNS.items()}
    columns["json"] = [json.dumps(line, separators=(",", ":")) for line in lines]
    # Under another name until it is complete: a worker that is killed leaves no half of it.
    unready = target.with_name(f".{target.name}.{os.getpid()}")
    pq.write_table(pa.table(columns, schema=SCHEMA), unready)
    os.replace(unready, target)
    return len(lines)


def expanded(patterns):
    files = set()
    for pattern in patterns:
        if "://" in pattern:
            store, way = fsspec.core.url_to_fs(pattern)
            files.update(store.unstrip_protocol(name) for name in store.glob(way))
        else:
            files.update(glob.glob(pattern, recursive=True))
    return sorted(files)


def kill_one_half_way(client, done, total):
    """Kills a worker once half of the parts are done."""
    while len(done) < total / 2:
        time.sleep(0.05)
    worker = next(iter(client.run(os.getpid).values()))
    os.kill(worker, signal.SIGKILL)
    print(f"killed worker {worker} after {len(done)} of {total} parts", file=sys.stderr, flush=True)


def check(program, files, out, options):
    """Every capture once, and each line as one process measures it."""
    rows = pq.read_table(out, columns=["json"]).column("json").to_pylist()
    joined = sorted(rows)
    alone = sorted(json.dumps(line, separators=(",", ":")) for line in measured(program, files, options))
    captures = [json.loads(row)["file"] for row in rows]
    print(f"{len(rows)} lines of {len(set(captures))} captures; equal to one process: {joined == alone}")
    return joined == alone and set(captures) == set(files)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("captures", nargs="+", help="files, patterns, addresses of a store")
    parser.add_argument("--program", required=True, help="the release build of humsieve, on every worker at this path")
    parser.add_argument("--out", required=True, help="folder of the Parquet files, seen by all workers")
    parser.add_argument("--scheduler", help="address of a running scheduler; else two workers on this machine")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--part", type=int, default=200, help="captures a task")
    parser.add_argument("--option", action="append", default=[], help="an option of `measure`, as --option=--harmonics=20")
    parser.add_argument("--kill", action="store_true")
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args()
    program = str(Path(options.program).resolve())
    files = expanded(options.captures)
    parts = [files[first : first + options.part] for first in range(0, len(files), options.part)]
    Path(options.out).mkdir(parents=True, exist_ok=True)
    # A part that its worker dies of is tried again, that many times.
    dask.config.set({"distributed.scheduler.allowed-failures": 5})
    start = time.perf_counter()
    with (
        LocalCluster(n_workers=options.workers, threads_per_worker=1, processes=True, dashboard_address=None)
        if options.scheduler is None
        else open(os.devnull)
    ) as cluster, Client(options.scheduler or cluster) as client:
        tasks = [
            client.submit(measure_part, program, index, part, options.out, options.option, key=f"part-{index}", pure=False)
            for index, part in enumerate(parts)
        ]
        done = []
        if options.kill:
            threading.Thread(target=kill_one_half_way, args=(client, done, len(parts)), daemon=True).start()
        for _, count in as_completed(tasks, with_results=True):
            done.append(count)
    took = time.perf_counter() - start
    print(f"{len(files)} captures in {len(parts)} parts, {sum(done)} lines, {took:.1f} s, {1e3 * took / max(len(files), 1):.2f} ms a capture")
    if options.check and not check(program, files, options.out, options.option):
        sys.exit("not what one process gives")


if __name__ == "__main__":
    main()
