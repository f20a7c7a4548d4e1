"""Runs that are killed go on, and workers that die on a cluster are made good."""

import hashlib
import math
import os
import pickle
import signal
import subprocess
import sys
import time

import pytest

from stripwise.api.cases import as_toml
from stripwise.errors import NumericalError
from stripwise.report.write_inventory import WORKING
from stripwise.studies.inventory import part_jobs
from stripwise.studies.inventory.executor import Job, LostPart, run_jobs
from stripwise.studies.inventory.inventory_run import _broken
from stripwise.studies.inventory.inventory_study import inventory

KILLS = int(os.environ.get("STRIPWISE_KILLS", "0"))
ROWS = 15_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory, case):
    home = tmp_path_factory.mktemp("killed")
    small = case.replace({"sampling.points": 64})
    (home / "wall.toml").write_text(as_toml(small), "utf-8")
    rows = (f"F{k},Forms 24 h,{40 + k % 30}\n" for k in range(ROWS))
    (home / "faces.csv").write_text("element,strategy,nominal_cover_mm\n" + "".join(rows), "utf-8")
    return home


def command(home, out):
    return [
        *(sys.executable, "-m", "stripwise", "inventory", home / "faces.csv"),
        *("--scenario", home / "wall.toml", "--out", out, "--workers", "1", "--quiet"),
    ]


@pytest.mark.skipif(not KILLS, reason="set STRIPWISE_KILLS to kill real commands")
def test_a_run_that_was_killed_goes_on_from_its_parts(folder):
    whole = b"".join(inventory_of(folder).parts())
    for kill in range(KILLS):
        out = folder / f"out-{kill}"
        killed = subprocess.Popen(command(folder, out))
        until = time.monotonic() + 300.0
        while not list(out.glob(f"{WORKING}/*.npz")) and time.monotonic() < until:
            assert killed.poll() is None
            time.sleep(0.01)
        os.kill(killed.pid, signal.SIGKILL)
        killed.wait()
        parts = {path.name for path in out.glob(f"{WORKING}/*.npz")}
        assert parts
        assert not (out / "run.json").exists()
        subprocess.run(command(folder, out), check=True)
        text = (out / "elements.csv").read_bytes()
        assert text.split(b"\n", 1)[1] == whole
        assert not (out / WORKING).exists()


def inventory_of(home):
    return inventory(load(home), home / "faces.csv")


def load(home):
    import stripwise

    return stripwise.load(home / "wall.toml")


def test_a_job_that_kills_the_workers_of_a_cluster_is_given_up(tmp_path):
    distributed, dask = (pytest.importorskip(name) for name in ("distributed", "dask"))
    with (
        dask.config.set(
            {
                "distributed.scheduler.allowed-failures": 0,
                "distributed.comm.timeouts.connect": "3s",  # a dead worker is not waited for
            }
        ),
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            dashboard_address=":0",  # a port that nobody has
            local_directory=tmp_path,
            silence_logs=50,
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        jobs = [Job(k, math.sqrt, (k,)) for k in range(8)]
        jobs[3] = Job(3, os._exit, (9,))
        found = dict(
            run_jobs(
                jobs,
                executor=client.get_executor(pure=False, retries=0),
                workers=2,
                broken=_broken(),
            )
        )
    assert found.pop(3) == LostPart(3)
    assert found == {k: math.sqrt(k) for k in range(8) if k != 3}


def test_a_plan_replaced_by_that_of_another_run_is_refused(tmp_path):
    path = tmp_path / "solved.plan"
    path.write_bytes(pickle.dumps(("another plan", {})))
    where = part_jobs.PlanPlace(hashlib.sha256(b"the plan").hexdigest(), path)
    with pytest.raises(NumericalError, match="replaced by that of another run"):
        part_jobs.solve(where, 0)
