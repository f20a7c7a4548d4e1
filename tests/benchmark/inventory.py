"""Speed and memory of an inventory, as ratios measured in one run.

python tests/benchmark/inventory.py                  # rows a CPU second, growth, against the loop
python tests/benchmark/inventory.py --accuracy       # P, range and confidence against large samples
python tests/benchmark/inventory.py --shipped        # faces against a run, on every shipped wall
python tests/benchmark/inventory.py --workers        # CPU seconds of two processes and of a cluster, started, over one
python tests/benchmark/inventory.py --memory         # memory of the command, 1e5 and 1e6 rows, parts computed before
python tests/benchmark/inventory.py --rows 1000000   # the command end to end by two processes, with their memory
"""

import argparse
import json
import os
import pickle
import re
import resource
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from concurrent.futures import Executor, Future
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special

import stripwise
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.intervals import point_quantile
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_repeat,
    with_nominal_cover,
)
from stripwise.risk.probability.reliability_index import reliability_index
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.inventory import face_answers, inventory_run, inventory_study
from stripwise.studies.inventory.executor import SerialExecutor, process_pool
from stripwise.studies.inventory.inventory_study import inventory
from stripwise.studies.inventory.part_jobs import compute_part

SCENARIO = Path(__file__).parents[2] / "scenarios" / "garage-wall.toml"
FAR_LIMIT = {"target.probability": {"value": 0.9, "unusual": True}}
KEPT_MEMORY = {
    "MALLOC_TRIM_THRESHOLD_": "1073741824",
    "MALLOC_MMAP_THRESHOLD_": "1073741824",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}
"""Settings of a worker that keep freed memory with it."""
QUIET = {
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
}
"""Settings of scheduler and workers that look seldom after themselves."""
ROUNDS = 5
SIZES = (50_000, 100_000, 200_000, 400_000)


def make_faces(path, rows):
    """Write plain faces: strip ages, temperatures, covers, dates and areas of their own."""
    rng = np.random.default_rng(5)
    with path.open("w", encoding="utf-8") as stream:
        stream.write(
            "element,strip_age_h,concrete_temperature_degC,nominal_cover_mm,built,area_m2,group\n"
        )
        for first in range(0, rows, 5_000):
            size = min(5_000, rows - first)
            values = zip(
                rng.uniform(10, 100, size).round(1).tolist(),
                rng.uniform(8, 22, size).round(1).tolist(),
                rng.uniform(40, 80, size).round(1).tolist(),
                rng.integers(1980, 2026, size).tolist(),
                rng.uniform(5, 80, size).round(1).tolist(),
                rng.integers(0, 5, size).tolist(),
                strict=True,
            )
            for k, (hours, warm, cover, year, area, group) in enumerate(values):
                stream.write(f"F{first + k},{hours},{warm},{cover},{year},{area},g{group}\n")
    return path


def cpu():
    """Return CPU seconds of this process and of those that ended."""
    own, ended = (
        resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return own.ru_utime + own.ru_stime + ended.ru_utime + ended.ru_stime


def without_second_pass():
    """Leave faces near the limit to the tables, to time them apart."""
    face_answers.decide_directly = lambda _one, plans, cover, _sd: elements_answer(cover.size)


class elements_answer:  # noqa: N801 - stands in for the answers
    def __init__(self, size):
        self.probability = np.full(size, 0.1)
        self.meets_target = ["too close to call"] * size


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--workers", action="store_true")
    parser.add_argument("--shipped", action="store_true")
    parser.add_argument("--accuracy", nargs="?", const=SCENARIO, type=Path)
    parser.add_argument("--rows", type=int, default=0)
    parser.add_argument("--memory", action="store_true")
    parser.add_argument("--command", nargs=2, type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--stored", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--busy", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.shipped:
        shipped()
    elif options.accuracy:
        accuracy(options.accuracy)
    elif options.command:
        command(*options.command, stored=options.stored)
    else:
        measure(options)


def measure(options):
    """Time the inventory of made-up faces."""
    case = stripwise.load(SCENARIO)
    case = case.replace({"sampling.points": 4096})
    if options.busy:
        keep_tables()
    while options.busy:
        inventory(case.replace(FAR_LIMIT), options.busy, year=2026)
        print("has its tables", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        if options.workers:
            workers(case, home)
        elif options.memory:
            memory(home)
        elif options.rows:
            print(run_command(make_faces(home / "faces.csv", options.rows), home / "out"))
        else:
            sizes(case, home)


def accuracy(path, plans=40, covers=5):
    """Compare elements with P from 2^18 points, and its ranges over 16 times 1,024 outer points."""
    rng = np.random.default_rng(8)
    tables = tomllib.loads(path.read_text("utf-8"))
    hours = np.exp(rng.uniform(np.log(10), np.log(100), plans)).round(1)
    warm = rng.uniform(8, 22, plans).round(1)
    tables["strategy"] = [
        {
            "name": f"Face {k}",
            "strip_age": f"{hours[k]} h",
            "concrete_temperature": f"{warm[k]} degC",
        }
        for k in range(plans)
    ]
    tables["reference_strategy"] = "Face 0"
    case = stripwise.case({k: v for k, v in tables.items() if k != "choices"})
    wall = build_wall(case)
    age, target = case.target.service_life, case.target
    center = wall.nominal_cover
    faces, truth = [], []
    for cover in center + np.linspace(-12.0, 12.0, covers) + 0.7:
        there = with_nominal_cover(wall, cover, None)
        sample = SamplingOptions(2**14, 16, 1, workers=2)
        one = probability_by_repeat(there, np.array([cover]), np.array([age]), sample=sample)
        p = one.mean(axis=0)[:, 0, 0]
        found = epistemic_probability(
            there,
            age=age,
            mean_index=reliability_index(p, 1.0 - p),
            points=2**14,
            seed=2,
            outer_points=1024,
        )
        pooled = special.ndtr(-found.index).reshape(-1, plans)
        low, high = (point_quantile(pooled, share) for share in (0.025, 0.975))
        sure = (found.index >= target.reliability_index).mean(axis=(0, 1))
        truth.append(np.stack((p, low, high, sure)))
        faces.append(
            pd.DataFrame(
                {
                    "element": [f"{cover:g} mm, face {k}" for k in range(plans)],
                    "strip_age_h": hours,
                    "concrete_temperature_degC": warm,
                    "nominal_cover_mm": cover,
                }
            )
        )
    table = inventory(stripwise.load(path), pd.concat(faces)).elements
    columns = ["probability_at_target", "know_low", "know_high", "confidence"]
    gap = table[columns].to_numpy() - np.concatenate(truth, axis=1).T
    print(
        f"{path.name}: {len(table)} faces, P from {truth[-1][0].min():.2g} to {truth[0][0].max():.2g}"
    )
    for name, column in zip(columns, gap.T, strict=True):
        rms, most = np.sqrt(np.mean(column**2)), np.abs(column).max()
        print(f"{name}: rms error {rms:.2g}, largest {most:.2g}", flush=True)


def shipped():
    """Compare faces that only name a strategy with a run of every shipped wall, the slow ones too."""
    for path in sorted([*SCENARIO.parent.glob("*.toml"), *SCENARIO.parent.glob("*/*wall.toml")]):
        case = stripwise.load(path).replace({"sampling.points": 256, "sampling.repeats": 8})
        if case.draws is not None:
            print(f"{path.name}: takes joint draws, which an inventory refuses")
            continue
        names = [item.name for item in case.strategies]
        faces = pd.DataFrame({"element": [f"F{k}" for k in range(len(names))], "strategy": names})
        result = inventory(case, faces)
        run = stripwise.assess(case, only="curves").strategies
        gap = result.elements["probability_at_target"] - run["probability_at_target"].to_numpy()
        same = (result.elements["meets_target"] == run["meets_target"].to_numpy()).sum()
        print(
            f"{path.name}: P off by at most {gap.abs().max():.4f} (told rms {result.table_error:.4f}), "
            f"{same} of {len(names)} answers alike",
            flush=True,
        )


def keep_tables():
    """Have the tables of a class computed once, here."""
    solve, kept = inventory_run.solve, {}

    def once(where, place):
        if place not in kept:
            kept[place] = solve(where, place)
        return kept[place]

    inventory_run.solve = once


def sizes(case, home):
    """Time growing tables on the same tables of the class."""
    keep_tables()
    direct = face_answers.decide_directly
    start = cpu()
    stripwise.assess(case, workers=1)
    one = cpu() - start
    paths = [make_faces(home / f"{size}.csv", size) for size in SIZES]
    # one range of covers and strip ages for all, so that the tables serve every size
    needs = {}
    spent = []
    for path in reversed(paths):
        without_second_pass()
        start = cpu()
        result = inventory(case, path, year=2026)
        first = cpu() - start
        if not needs:
            needs["tables"] = first
            start = cpu()
            result = inventory(case, path, year=2026)
            first = cpu() - start
            needs["tables"] -= first
        spent.append(first)
        print(f"{result.faces:7d} faces: {result.faces / first:8.0f} a CPU second", flush=True)
    spent.reverse()
    slope = np.polyfit(np.log(SIZES), np.log(spent), 1)[0]
    face_answers.decide_directly = direct
    start = cpu()
    result = inventory(case, paths[0], year=2026)
    second = (cpu() - start - spent[0]) / max(result.direct, 1)
    print(f"growth, log-log slope: {slope:.3f}")
    print(f"tables of one class: {needs['tables'] / one:.2f} runs of assess")
    print(f"against the loop over assess: {one / (spent[-1] / SIZES[-1]):.0f} times")
    print(f"second pass: {result.direct} faces of {SIZES[0]}, {1e3 * second:.1f} ms CPU each")


def workers(case, home):
    """Compare CPU seconds of one process, of two, and of a cluster of two here, without their start.

    The limit lies beyond every face, so that none takes a second pass, and the tables are computed
    before. Two cores may share what they compute with, so one process is timed while another
    computes the same, and all three are timed anew in every round.
    """
    case = case.replace(FAR_LIMIT)
    large, small = (make_faces(home / f"{size}.csv", size) for size in (50_000, 15_000))
    keep_tables()
    inventory(case, large, year=2026)  # has the tables computed
    given = [sys.executable, __file__, "--busy", large]
    busy = subprocess.Popen(given, stdout=subprocess.PIPE)
    busy.stdout.readline()
    ratios = []
    try:
        for _ in range(ROUNDS):
            one = beside(busy, case, large)
            found = on_two(case, small, large), on_cluster(case, small, large)
            ratios.append(np.divide(found, one))
            print("over one process: two {:.3f}, a cluster {:.3f}".format(*ratios[-1]), flush=True)
    finally:
        busy.kill()
        busy.communicate()
    print("in the middle: two {:.3f}, a cluster {:.3f}".format(*np.median(ratios, axis=0)))


def beside(busy, case, path):
    """Return CPU seconds of an inventory while another process computes the same again and again."""
    busy.send_signal(signal.SIGCONT)
    start = time.thread_time()
    inventory(case, path, year=2026)
    found = time.thread_time() - start
    busy.send_signal(signal.SIGSTOP)
    return found


class TablesHere(SerialExecutor):
    """Has parts computed by a pool that stays, and all else here."""

    def __init__(self, pool):
        self.pool = pool

    def submit(self, fn, /, *args):
        return (self.pool if fn is compute_part else super()).submit(fn, *args)


def seconds_of(processes, compute):
    """Return CPU seconds that this process and others spend on a computation."""
    import psutil  # comes with distributed

    watched = [psutil.Process(), *map(psutil.Process, processes)]
    start = sum(sum(one.cpu_times()[:2]) for one in watched)
    compute()
    return sum(sum(one.cpu_times()[:2]) for one in watched) - start


def on_two(case, small, large):
    """Return CPU seconds of two processes that have begun."""
    pool, fresh = process_pool(2), inventory_study.process_pool
    inventory_study.process_pool = lambda _workers: TablesHere(pool)
    inventory(case, small, year=2026, workers=2)
    found = seconds_of(pool._processes, lambda: inventory(case, large, year=2026, workers=2))
    inventory_study.process_pool = fresh
    pool.shutdown()
    return found


def on_cluster(case, small, large):
    """Return CPU seconds of a cluster of two workers here that has begun, set as README says."""
    import dask
    import distributed

    with (
        dask.config.set({"distributed.nanny.pre-spawn-environ": KEPT_MEMORY, **QUIET}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        executor = TablesHere(client.get_executor(pure=False, retries=2))
        inventory(case, small, year=2026, executor=executor, workers=2)
        return seconds_of(
            client.run(os.getpid).values(),
            lambda: inventory(case, large, year=2026, executor=executor, workers=2),
        )


class StoredParts(Executor):
    """Has the first part of each size computed, and hands it out for every other one."""

    def __init__(self, pool):
        self.pool, self.parts = pool, {}

    def submit(self, fn, /, *args):
        if fn is not compute_part:
            return self.pool.submit(fn, *args)
        size = len(args[1])
        if size not in self.parts:
            self.parts[size] = pickle.dumps(self.pool.submit(fn, *args).result())
        future = Future()
        future.set_result(pickle.loads(self.parts[size]))
        return future

    def shutdown(self, **options):
        self.pool.shutdown(**options)


def command(path, out, *, stored):
    """Run the command in this process; print what it took as JSON, without what starting it took."""
    from stripwise.cli import app

    if stored:
        inventory_study.process_pool = lambda workers: StoredParts(process_pool(workers))
    start, began = cpu(), time.process_time()
    given = [path, "--scenario", SCENARIO, "--year", "2026", "--out", out, "--quiet"]
    app(["inventory", *map(str, given)], standalone_mode=False)
    # ru_maxrss of this process would count the one that it was started by
    own = int(re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text("utf-8"))[1])
    most = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    found = {
        "cpu_s": cpu() - start,
        "client_s": time.process_time() - began,
        "client_mb": own / 1024,
        "worker_mb": most / 1024,
    }
    print(json.dumps(found | json.loads((out / "times.json").read_text("utf-8"))))


def run_command(path, out, *more):
    """Run the command on a table in a process that has only what it needs; return what it took."""
    given = [sys.executable, __file__, "--command", path, out, *more]
    return json.loads(subprocess.run(given, check=True, capture_output=True).stdout)


def memory(home):
    """Compare the memory of the command on a small and a large table, parts computed before.

    So it is seen in about a minute; what workers hold does not depend on the rows.
    """
    held = {}
    for rows in (100_000, 1_000_000):
        found = run_command(make_faces(home / f"{rows}.csv", rows), home / f"{rows}", "--stored")
        held[rows] = found["client_mb"]
        print(
            f"{rows} faces: {held[rows]:.0f} MB here, {found['worker_mb']:.0f} MB in a worker; "
            f"{1e6 * found['client_s'] / rows:.0f} microseconds of CPU here a face",
            flush=True,
        )
    (few, least), (many, most) = held.items()
    print(f"{(most - least) * 2**20 / (many - few):.0f} bytes a further face")


if __name__ == "__main__":
    sys.exit(main())
