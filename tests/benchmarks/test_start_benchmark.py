"""How long commands take to start, beside Python with numpy alone, in the same run.

    pytest tests/benchmarks/test_start_benchmark.py --benchmark-enable -s

`ack`, `status` and `oncall ack` end at a file that is not there: what is timed is all that comes before it.
"""

import subprocess
import sys
import time

import pytest

from tests.rigs.places import EXAMPLE, ROOT

ROUNDS = 9
NUMPY = ("-c", "import numpy")
HELP = ("-m", "daemon", "--help")
ACK = ("-m", "daemon", "ack", "k1/temperature/high")
STATUS = ("-m", "daemon", "status")
ONCALL_ACK = ("-m", "daemon", "oncall", "ack", "41")

pytestmark = pytest.mark.skipif(
    "not config.getoption('benchmark_enable')", reason="times processes; pytest --benchmark-enable runs it"
)


def took_s(arguments, settings):
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, *arguments], check=False, cwd=ROOT, capture_output=True,
        env={"BELLWATCH_SETTINGS": str(settings), "PATH": ""},
    )  # fmt: skip
    return time.perf_counter() - start


def test_start_beside_numpy(benchmark, tmp_path):
    settings = tmp_path / "bellwatch.toml"
    settings.write_text(EXAMPLE.read_text().replace("/var/lib/bellwatch", str(tmp_path)))
    commands = (NUMPY, HELP, ACK, STATUS, ONCALL_ACK)

    def best_of_each():
        rounds = [[took_s(command, settings) for command in commands] for _ in range(ROUNDS)]
        return [min(times) for times in zip(*rounds, strict=True)]

    numpy_s, *ours_s = benchmark.pedantic(best_of_each, rounds=1)
    ratios = [took / numpy_s for took in ours_s]
    print(
        f"\nimport numpy {numpy_s * 1000:.0f} ms; times that: --help {ratios[0]:.2f}, ack {ratios[1]:.2f}, "
        f"status {ratios[2]:.2f}, oncall ack {ratios[3]:.2f}"
    )
    assert ratios[0] <= 2
    assert ratios[1] <= 2
