"""Jobs come back in order, whatever dies on the way."""

import math
import os
from concurrent.futures import ThreadPoolExecutor

import pytest

from stripwise.errors import OutputError
from stripwise.report.write_inventory import working_folder
from stripwise.studies.inventory.executor import (
    IN_FLIGHT,
    Job,
    LostPart,
    SerialExecutor,
    Unprepared,
    process_pool,
    run_jobs,
)


def test_results_come_in_order_with_few_in_flight():
    taken = []

    def jobs():
        for k in range(40):
            taken.append(k)
            yield Job(k, math.sqrt, (k,))

    with ThreadPoolExecutor(2) as pool:
        for place, found in run_jobs(jobs(), executor=pool, workers=2):
            assert found == math.sqrt(place)
            assert len(taken) <= place + 1 + 2 * IN_FLIGHT
    assert taken == list(range(40))


def test_an_error_of_a_job_is_an_error_of_the_run():
    with pytest.raises(ValueError, match="math domain"):
        list(run_jobs([Job(0, math.sqrt, (-1,))], executor=SerialExecutor(), workers=1))


def test_a_job_that_kills_its_workers_is_given_up_and_the_others_are_made_good():
    jobs = [Job(k, math.sqrt, (k,)) for k in range(6)]
    jobs[2] = Job(2, os._exit, (9,))
    with process_pool(2) as pool:
        found = dict(run_jobs(jobs, executor=pool, workers=2, rebuild=lambda: process_pool(2)))
    assert found.pop(2) == LostPart(2)
    assert found == {k: math.sqrt(k) for k in (0, 1, 3, 4, 5)}


def test_a_worker_that_is_unprepared_is_sent_the_whole():
    known, sent = {}, []

    def call(what, number):
        sent.append(what)
        known.update(what)
        return known["power"] ** number if known else Unprepared()

    jobs = [Job(k, call, ({}, k), ({"power": 2}, k)) for k in range(4)]
    found = dict(run_jobs(jobs, executor=SerialExecutor(), workers=1))
    assert found == {0: 1, 1: 2, 2: 4, 3: 8}
    # the three in flight had met a worker without it; from then on it is known
    assert sent.count({"power": 2}) <= IN_FLIGHT


def test_two_runs_into_one_folder_are_refused(tmp_path):
    with (
        working_folder(tmp_path / "out"),
        pytest.raises(OutputError, match="another run is writing here"),
        working_folder(tmp_path / "out"),
    ):
        pass
