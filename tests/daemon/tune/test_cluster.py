"""A search on a real cluster of two workers says what it says here, also where a worker is killed."""

import os
import signal
import threading
from contextlib import contextmanager

import pytest

from daemon.commands.cli import main
from rules import RULES_VERSION
from tests.daemon.commands.engineer.test_tune import CRITICAL, ON, case, known_nights

distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

TRIES = ["--try", f"{ON}=60,240,480,960", "--try", f"{CRITICAL}=60,240,480,960"]

pytestmark = [
    pytest.mark.timeout(600),
    pytest.mark.filterwarnings("default"),  # its own sockets are not ours to close
]

HERE = "127.0.0.1:0"


@contextmanager
def local_cluster(workers):
    """Real processes on this machine, on its loopback alone."""
    both = {"dashboard_address": HERE, "worker_dashboard_address": HERE}
    with distributed.LocalCluster(workers, threads_per_worker=1, host="127.0.0.1", **both) as cluster:
        cluster.wait_for_workers(workers, timeout=120)
        yield cluster


@pytest.fixture(scope="module")
def two_workers():
    with local_cluster(2) as cluster:
        yield cluster.scheduler_address


@pytest.fixture(scope="module")
def at_home(tmp_path_factory):
    """A case, and what is said of it in processes of this machine."""
    folder = tmp_path_factory.mktemp("tuned")
    _, arguments = case(folder, *known_nights(0, 18))
    return [*arguments, *TRIES]


def said_by(arguments, capsys):
    assert main(arguments) == 0
    return capsys.readouterr().out


def test_two_workers_say_what_one_machine_says(two_workers, at_home, capsys):
    here = said_by(at_home, capsys)
    assert "Recommended" in here
    assert said_by([*at_home, "--cluster", two_workers], capsys) == here


def test_a_worker_that_is_killed_costs_nothing(two_workers, at_home, capsys):
    here = said_by(at_home, capsys)
    with distributed.Client(two_workers) as client:
        pids = client.run(os.getpid)
        killed = threading.Event()

        def kill_one():
            """As soon as a trial is under way there."""
            worker, pid = min(pids.items())
            for _ in range(6_000):
                if any("events_under" in str(key) for key in client.processing().get(worker, ())):
                    os.kill(pid, signal.SIGKILL)
                    killed.set()
                    return
                killed.wait(0.01)

        killing = threading.Thread(target=kill_one)
        killing.start()
        there = said_by([*at_home, "--cluster", two_workers], capsys)
        killing.join(60)
    assert killed.is_set()
    assert there == here


def test_where_no_scheduler_answers_one_line_says_so(at_home, capsys, monkeypatch):
    monkeypatch.setattr("daemon.tune.cluster.ANSWERS_WITHIN_S", 0.5)  # nobody ever will
    assert main([*at_home, "--cluster", "tcp://127.0.0.1:1"]) == 2
    assert "--cluster tcp://127.0.0.1:1: no scheduler answers; expected" in capsys.readouterr().err


def test_workers_that_would_judge_otherwise_are_refused(at_home, capsys):
    with local_cluster(1) as other:
        with distributed.Client(other) as client:
            client.run(_of_another_version)
        assert main([*at_home, "--cluster", other.scheduler_address]) == 2
    assert f"expected bellwatch 0.1.0, rules {RULES_VERSION}" in " ".join(capsys.readouterr().err.split())


def _of_another_version():
    from daemon.tune import cluster

    cluster.RULES_VERSION -= 1
