#!/bin/sh
# Makes a bundle that installs without a network: `sh deploy/bundle.sh [FOLDER]`, on any machine with one.
# In it: the code, the wheels of deploy/locks/ for aarch64 and x86-64 (Debian 12's Python 3.11, Debian 13's 3.13), a
# checksum of each file, and CONTENTS: what is in it under which licence. `sudo sh deploy/install.sh --bundle FILE`.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/deploy/setup.sh"
into=$(mkdir -p "${1:-$root/dist}" && CDPATH='' cd -- "${1:-$root/dist}" && pwd)

python=$(find_python complete) || give_up "Python 3.11 or newer is needed:  apt install python3 python3-venv"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
log="$work/log"
name="bellwatch-$(version_of "$root")"
made="$work/$name"
mkdir -p "$made/wheels"

(cd "$root" && tar -c --exclude=__pycache__ daemon drivers rules simulator deploy pyproject.toml README.md \
    CHANGELOG.md LICENSE NOTICE .gitignore) | tar -x --no-same-owner -C "$made"
"$python" -m venv "$work/venv"
for tags in 3.11:cp311 3.13:cp313; do
    for machine in aarch64 x86_64; do
        say "fetching the wheels for Python ${tags%:*} on $machine"
        # Debian 12 has glibc 2.36; a wheel that asks for more must not get in.
        "$work/venv/bin/python" -m pip download --quiet --disable-pip-version-check --no-deps --require-hashes \
            --only-binary=:all: --python-version "${tags%:*}" --implementation cp --abi "${tags#*:}" --abi abi3 \
            --abi none --platform "manylinux_2_28_$machine" --platform "manylinux_2_17_$machine" \
            --platform "manylinux2014_$machine" --dest "$made/wheels" \
            --requirement "$root/deploy/locks/python${tags%:*}.txt" >"$log" 2>&1 ||
            explain "the wheels for Python ${tags%:*} on $machine could not be fetched"
    done
done
"$python" "$root/deploy/contents.py" "$made" >"$made/CONTENTS"
(cd "$made" && find . -type f ! -name SHA256SUMS | LC_ALL=C sort | tr '\n' '\0' | xargs -0 sha256sum) >"$work/sums"
mv "$work/sums" "$made/SHA256SUMS"
tar -c -z --sort=name --owner=0 --group=0 --numeric-owner --mtime='@0' -f "$into/$name.tar.gz" -C "$work" "$name"
say "$into/$name.tar.gz"
say "whoever installs it compares: $(sha256sum "$into/$name.tar.gz" | cut -d ' ' -f 1)"
