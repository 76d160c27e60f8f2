# What try.sh and test.sh share: their own Python environment, and Debian packages that are missing.
#
# Everything of ours goes into .bellwatch/ in the checkout (git ignores it); delete the folder to
# start afresh. Only as root are Debian packages installed, and nothing of them is left running.
# To be sourced, with $root set to the checkout. POSIX sh.
# shellcheck shell=sh disable=SC2154

home="$root/.bellwatch"
venv="$home/venv"
log="$home/setup.log"
policy=/usr/sbin/policy-rc.d
policy_is_ours=
apt_is_fresh=

say() { printf 'bellwatch: %s\n' "$*"; }

give_up() {
    printf 'bellwatch: %s\n' "$@" >&2
    exit 1
}

tidy() {
    [ -z "$policy_is_ours" ] || rm -f "$policy"
    rm -rf "$home/tmp"
}

# pip and venv start processes of their own, which need a moment to end after a Ctrl-C.
outlast_children() {
    tries=100
    while [ $tries -gt 0 ] && grep -qs -- "${venv}[/]bin/" /proc/[0-9]*/cmdline; do
        sleep 0.1
        tries=$((tries - 1))
    done
}

interrupted() {
    trap '' INT TERM HUP
    outlast_children
    printf '\nbellwatch: interrupted; nothing is left running. The next start goes on from here.\n' >&2
    exit 130
}

begin() {
    { mkdir -p "$home" 2>/dev/null && [ -w "$home" ]; } ||
        give_up "cannot write in $root; copy the checkout to a folder of your own and start it there"
    trap tidy EXIT
    trap interrupted INT TERM HUP
    mkdir -p "$home/tmp"
    : >"$log"
}

# version_of FOLDER: the version, and a mark of the code in that folder: two checkouts of one version are told apart.
version_of() {
    if [ -e "$1/id" ]; then # an installed copy
        cat "$1/id"
        return
    fi
    number=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$1/pyproject.toml")
    mark=$(cd "$1" && find daemon drivers rules simulator deploy pyproject.toml -type f ! -path '*/__pycache__/*' |
        LC_ALL=C sort | tr '\n' '\0' | xargs -0 cksum | cksum)
    printf '%s-%08x\n' "$number" "${mark%% *}"
}

# --- Debian packages --------------------------------------------------------------------------------

is_root() { [ "$(id -u)" -eq 0 ]; }

has_apt() { command -v apt-get >/dev/null 2>&1; }

# Servers stand in sbin, which is not on everybody's PATH.
has_program() { PATH="$PATH:/usr/sbin:/usr/local/sbin:/sbin" command -v "$1" >/dev/null 2>&1; }

# A package's service must neither start now nor at the next boot: we only want the program.
keep_services_down() {
    [ ! -e "$policy" ] && [ -d "${policy%/*}" ] || return 0
    policy_is_ours=yes
    printf '#!/bin/sh\nexit 101\n' >"$policy"
    chmod 755 "$policy"
}

let_services_be() {
    if [ -n "$policy_is_ours" ]; then
        rm -f "$policy"
        policy_is_ours=
    fi
    if command -v systemctl >/dev/null 2>&1; then
        for service in "$@"; do
            systemctl disable --quiet "$service" >>"$log" 2>&1 || true
        done
    fi
}

apt_get() {
    DEBIAN_FRONTEND=noninteractive apt-get -qq -y --no-install-recommends "$@" >>"$log" 2>&1 </dev/null
}

# A Ctrl-C waits until dpkg is done: half-installed packages would be in everybody's way.
unpack() (
    trap '' INT TERM HUP
    apt_get install "$@"
)

# apt_install PACKAGE...: all at once, or one by one where this Debian lacks one of them.
apt_install() {
    say "installing with apt (this machine): $*"
    keep_services_down
    if [ -z "$apt_is_fresh" ]; then
        apt_get update || say "apt-get update failed; going on with what is known"
        apt_is_fresh=yes
    fi
    failed=
    apt_get --download-only install "$@" || true
    unpack "$@" || for package in "$@"; do
        unpack "$package" || failed="$failed $package"
    done
    let_services_be "$@"
    [ -z "$failed" ] || say "apt could not install:$failed (its words are in $log)"
}

# --- Python -----------------------------------------------------------------------------------------

suits() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

can_make_environments() { "$1" -c 'import ensurepip, venv' >/dev/null 2>&1; }

# Prints the newest Python on PATH that we are tested with, else python3 itself if it is new enough.
find_python() {
    for name in python3.13 python3.12 python3.11 python3; do
        if suits "$name" && { [ "$1" = any ] || can_make_environments "$name"; }; then
            command -v "$name"
            return 0
        fi
    done
    return 1
}

need_python() {
    python=$(find_python complete) && return 0
    if is_root && has_apt; then
        apt_install python3 python3-venv
        python=$(find_python complete) && return 0
    fi
    if python=$(find_python any); then
        give_up "$python cannot make virtual environments (ensurepip is missing)." \
            "Ask the administrator for the package python3-venv:  apt install python3-venv"
    fi
    found=$(python3 -V 2>/dev/null || echo 'no python3')
    give_up "Python 3.11 or newer is needed; on PATH there is $found." \
        "Debian 12 and later have it:  apt install python3 python3-venv"
}

# need_packages NAME EXTRAS: the environment, with bellwatch and EXTRAS in it. Quick when nothing has changed.
need_packages() {
    made_by="$root $("$python" -c 'import sys; print(sys.executable, sys.version)' 2>>"$log" | tr '\n' ' ')"
    if [ "$(cat "$home/made-by" 2>/dev/null)" != "$made_by" ] || ! "$venv/bin/python" -c '' 2>/dev/null; then
        rm -f "$home"/*.stamp "$home/made-by"
        say "making a Python $("$python" -c 'import platform; print(platform.python_version())')" \
            "environment in $venv"
        TMPDIR="$home/tmp" "$python" -m venv --clear "$venv" >>"$log" 2>&1 || explain "could not make $venv"
        printf '%s\n' "$made_by" >"$home/made-by"
    fi
    wanted="$2 $(cksum <"$root/pyproject.toml")"
    [ "$(cat "$home/$1.stamp" 2>/dev/null)" != "$wanted" ] || return 0
    say "installing bellwatch[$2] and what it needs, there (from the Python package index)"
    (cd "$root" && TMPDIR="$home/tmp" "$venv/bin/python" -m pip install --quiet --no-input \
        --disable-pip-version-check --editable ".[$2]") >>"$log" 2>&1 ||
        explain "could not install the Python packages"
    printf '%s\n' "$wanted" >"$home/$1.stamp"
}

explain() {
    tail -n 5 "$log" >&2
    give_up "$1; all of it is in $log"
}
