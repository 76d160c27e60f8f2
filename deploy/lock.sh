#!/bin/sh
# Draws deploy/locks/ anew: every package that an install takes, its version, and the hashes of its files, for each
# Python that is supported. `sh deploy/lock.sh`; needs uv (https://docs.astral.sh/uv/) and a network.
# --upgrade takes the newest versions; without it only what pyproject.toml asks for changes.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
cd "$root"
mkdir -p deploy/locks
for python in 3.11 3.12 3.13; do
    # hatchling packs the code; pip comes along, since Debian's Python may be without it.
    printf '%s\n' hatchling pip | uv pip compile --quiet --no-header --no-annotate --generate-hashes \
        --python-version "$python" --python-platform aarch64-manylinux_2_28 \
        --extra completion --extra influx --extra oncall --extra tuning \
        "$@" --output-file "deploy/locks/python$python.txt" pyproject.toml -
done
