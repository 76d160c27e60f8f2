#!/bin/sh
# Installs bellwatch on the Pi beside the rack: `sudo sh deploy/install.sh`, again for an update.
# --dry-run says what it would do and changes nothing; --no-broker leaves the broker to you.
# Your settings, passwords and journal are never overwritten. It switches no equipment.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/deploy/setup.sh"

prefix=/opt/bellwatch
settings=/etc/bellwatch/bellwatch.toml
password=/etc/bellwatch/broker-password
completion=/usr/local/share/bash-completion/completions/bellwatch
dry_run=
broker=yes

for option in "$@"; do
    case $option in
    --dry-run) dry_run=yes ;;
    --no-broker) broker= ;;
    *) give_up "$option: not an option; --dry-run or --no-broker" ;;
    esac
done
[ -n "$dry_run" ] || is_root || give_up "only root can install:  sudo sh deploy/install.sh" \
    "(or look first:  sh deploy/install.sh --dry-run)"

# step WORDS COMMAND...: says what is done, and does it unless this is a dry run.
step() {
    if [ -n "$dry_run" ]; then
        say "would $1"
    else
        say "$1"
        shift
        "$@"
    fi
}

# put FILE TARGET MODE OWNER: copies what differs.
put() {
    cmp -s "$1" "$2" || step "write $2" install -D -m "$3" -o "${4%:*}" -g "${4#*:}" "$1" "$2"
}

# put_once FILE TARGET MODE OWNER: what people edit is written only where there is none.
put_once() {
    [ -e "$2" ] || put "$@"
}

packages() {
    missing=
    "$python" -c 'import ensurepip, venv' 2>/dev/null || missing="python3-venv"
    [ -z "$broker" ] || has_program mosquitto || missing="$missing mosquitto"
    [ -z "$missing" ] || ! has_apt || {
        # shellcheck disable=SC2086  # a list of names
        step "install with apt: $missing" apt-get -qq -y --no-install-recommends install $missing
    }
}

user() {
    id bellwatch >/dev/null 2>&1 || step "make the user bellwatch" useradd --system --user-group \
        --no-create-home --home-dir /var/lib/bellwatch --shell /usr/sbin/nologin bellwatch
    id -nG bellwatch 2>/dev/null | grep -qw dialout ||
        step "let bellwatch use serial ports (group dialout)" usermod -aG dialout bellwatch
}

program() {
    [ -x "$prefix/bin/python" ] || step "make a Python environment in $prefix" "$python" -m venv "$prefix"
    step "install bellwatch into $prefix (from this checkout; what it needs from the Python package index)" \
        "$prefix/bin/python" -m pip install --quiet --disable-pip-version-check --upgrade \
        "${root}[completion,influx,tuning]"
    [ "$(readlink /usr/local/bin/bellwatch 2>/dev/null)" = "$prefix/bin/bellwatch" ] ||
        step "link /usr/local/bin/bellwatch" ln -sf "$prefix/bin/bellwatch" /usr/local/bin/bellwatch
}

write_completion() {
    mkdir -p "${completion%/*}"
    "$prefix/bin/shtab" --shell=bash --error-unimportable --output="$completion" \
        daemon.commands.cli.bellwatch_parser
}

make_password() {
    (umask 077 && "$python" -c 'import secrets; print(secrets.token_urlsafe(24))' >"$password")
    chown root:bellwatch "$password"
    chmod 0640 "$password"
}

first_settings() {
    install -m 0640 -o root -g bellwatch "$root/deploy/bellwatch.example.toml" "$settings"
    [ -z "$broker" ] ||
        sed -i -e 's/^# \(username = "bellwatch"\)/\1/' -e 's/^# \(password_file = \)/\1/' "$settings"
}

settings_of_the_rack() {
    [ -d /etc/bellwatch ] ||
        step "make /etc/bellwatch" install -d -m 0750 -o root -g bellwatch /etc/bellwatch
    [ -z "$broker" ] || [ -e "$password" ] || step "make a password for the broker in $password" make_password
    [ -e "$settings" ] || step "write $settings, an invented rack for you to replace" first_settings
}

broker_user() {
    passwords=/etc/mosquitto/bellwatch.passwd
    [ -e "$passwords" ] || install -m 0640 -o root -g mosquitto /dev/null "$passwords"
    fresh=$(mktemp)
    printf 'bellwatch:%s\n' "$(cat "$password")" >"$fresh"
    mosquitto_passwd -U "$fresh"
    cat "$fresh" >>"$passwords"
    rm -f "$fresh"
}

broker_of_the_rack() {
    put_once "$root/deploy/mosquitto.acl" /etc/mosquitto/bellwatch.acl 0640 root:mosquitto
    [ ! -e /etc/mosquitto/bellwatch.acl ] || cmp -s "$root/deploy/mosquitto.acl" /etc/mosquitto/bellwatch.acl ||
        say "/etc/mosquitto/bellwatch.acl is not the deploy/mosquitto.acl of this version: take over what is new in it"
    grep -qs '^bellwatch:' /etc/mosquitto/bellwatch.passwd ||
        step "give the daemon its user at the broker" broker_user
    [ ! -e /etc/mosquitto/conf.d/bellwatch.conf ] || return 0
    put "$root/deploy/mosquitto.conf" /etc/mosquitto/conf.d/bellwatch.conf 0644 root:root
    ! under_systemd || step "start the broker anew" systemctl restart mosquitto
}

under_systemd() { [ -d /run/systemd/system ]; }

services() {
    put "$root/deploy/99-bellwatch-serial.rules" /etc/udev/rules.d/99-bellwatch-serial.rules 0644 root:root
    put "$root/deploy/bellwatch.service" /etc/systemd/system/bellwatch.service 0644 root:root
    if under_systemd; then
        step "tell systemd and udev" systemctl daemon-reload
        [ -n "$dry_run" ] || udevadm control --reload 2>/dev/null || true
        step "start the daemon anew if it runs" systemctl try-restart bellwatch
    fi
}

python=$(find_python any) || give_up "Python 3.11 or newer is needed:  apt install python3 python3-venv"
packages
user
program
step "let bash complete what follows bellwatch ($completion)" write_completion
settings_of_the_rack
[ -z "$broker" ] || broker_of_the_rack
services

[ -z "$dry_run" ] || exit 0
say "done. Next:"
say "  1. put your rack into $settings"
say "  2. bellwatch check                  says everything that is wrong with it"
say "  3. systemctl enable --now bellwatch"
say "  4. sudo -u bellwatch bellwatch status"
