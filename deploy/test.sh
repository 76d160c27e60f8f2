#!/bin/sh
# Runs all checks and tests: `sh deploy/test.sh`. Sets up what is missing first; as root also with apt.
# Arguments go to pytest: `sh deploy/test.sh -k salinity`.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/deploy/setup.sh"

# Programs that tests start for themselves, and the Debian packages that bring them.
TOOLS='mosquitto:mosquitto mosquitto_sub:mosquitto-clients chromium:chromium chromedriver:chromium-driver
victoria-metrics:victoria-metrics influxd:influxdb strace:strace mkfs.ext4:e2fsprogs'

missing_packages() {
    for tool in $TOOLS; do
        has_program "${tool%%:*}" || printf '%s ' "${tool##*:}"
    done
}

begin
need_python
missing=$(missing_packages)
if [ -n "$missing" ] && is_root && has_apt; then
    # shellcheck disable=SC2086  # a list of names
    apt_install $missing
    missing=$(missing_packages)
fi
[ -z "$missing" ] ||
    say "tests that need these Debian packages will be skipped, each saying so: $missing"
need_packages test test
tidy

cd "$root"
faults=
check() {
    say "$*"
    "$venv/bin/python" -m "$@" || faults="$faults $1"
}
check ruff check .
check ruff format --check .
check mypy
# Three processes, as many tests wait more than they work; a file's tests in one of them, the longest files
# first (tests/conftest.py), unless the arguments say otherwise.
set -- -q -n 3 --dist loadfile --no-loadscope-reorder "$@"
say pytest "$@"
status=0
"$venv/bin/python" -m pytest "$@" || status=$?
if [ -n "$faults" ]; then
    say "the tests' result stands above; but not clean:$faults"
    [ "$status" -ne 0 ] || status=1
fi
exit "$status"
