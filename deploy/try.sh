#!/bin/sh
# Shows bellwatch at work: `sh deploy/try.sh` sets up what is missing, then runs `bellwatch demo`.
# Needs no root. Ctrl-C ends it at any moment. Its exit status is the demonstration's.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/deploy/setup.sh"

begin
need_python
extras=simulator
if ! has_program mosquitto && is_root && has_apt; then
    apt_install mosquitto
fi
if ! has_program mosquitto; then
    say "no mosquitto on this machine: the demonstration gets a small broker of its own from PyPI"
    extras=simulator,broker
fi
need_packages try "$extras"
tidy
cd "$root"
exec "$venv/bin/python" -m daemon demo
