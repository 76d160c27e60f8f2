#!/bin/sh
# Installs bellwatch on the Pi beside the rack: `sudo sh deploy/install.sh`, again for an update. --help says the rest.
# Your settings, passwords and journal are never overwritten. It switches no equipment.
set -eu
umask 022

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/deploy/setup.sh"
. "$root/deploy/versions.sh"
. "$root/deploy/broker.sh"

etc=/etc/bellwatch
settings=$etc/bellwatch.toml
data=/var/lib/bellwatch
completion=/usr/local/share/bash-completion/completions/bellwatch
need_mb=400
act=install
dry_run=
broker=yes
network=
role=
bundle=
switched=

usage() {
    cat <<'END'
sudo sh deploy/install.sh [install]        install, or update to what is in this folder
     bellwatch-install upgrade --bundle FILE   the same from a bundle: what watches is stopped only if all fits
     bellwatch-install rollback                the version before, if settings and journal fit it
     bellwatch-install restore FOLDER          settings, broker and journal from the newest backup in FOLDER
     bellwatch-install broker-user NAME        a password for probes, oncall or screen at the broker
     bellwatch-install uninstall               take the program away and keep the data
 --role rack|oncall|both   what this machine is for (as before; at first: rack)
 --bundle FILE             needs no network: what deploy/bundle.sh made
 --no-broker               the rack's broker is another's business
 --network                 others may reach the broker, encrypted (port 8883)
 --dry-run                 say what would be done, change nothing
END
}

name=
while [ $# -gt 0 ]; do
    case $1 in
    install | upgrade | rollback | uninstall) act=$1 ;;
    restore | broker-user)
        act=$1
        name=${2:-}
        [ -n "$name" ] || give_up "$act needs a $([ "$act" = restore ] && echo folder || echo name); see --help"
        shift
        ;;
    --dry-run) dry_run=yes ;;
    --no-broker) broker= ;;
    --network) network=yes ;;
    --role | --bundle)
        [ -n "${2:-}" ] || give_up "$1 needs a word after it; see --help"
        if [ "$1" = --role ]; then role=$2; else bundle=$2; fi
        shift
        ;;
    --help)
        usage
        exit 0
        ;;
    *) give_up "$1: not an option; see --help" ;;
    esac
    shift
done
: "${role:=$(cat $etc/role 2>/dev/null || echo rack)}"
case $role in
rack | both) ;;
oncall) broker= ;;
*) give_up "--role $role: expected rack, oncall or both" ;;
esac
[ -n "$dry_run" ] || is_root || give_up "only root can install:  sudo sh deploy/install.sh" \
    "(or look first:  sh deploy/install.sh --dry-run)"
log=$(mktemp)
trap 'rm -rf "$log" "$log.d"' EXIT
trap 'exit 130' INT TERM HUP

explain() {
    tail -n 15 "$log" >&2
    give_up "$1"
}

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
    cmp -s "$1" "$2" || {
        wrote=yes
        step "write $2" install -D -m "$3" -o "${4%:*}" -g "${4#*:}" "$1" "$2"
    }
}

# put_once FILE TARGET MODE OWNER: what people edit is written only where there is none.
put_once() {
    [ -e "$2" ] || put "$@"
}

# as USER COMMAND...: what opens the journal must not be root, whose helper files would shut the watch out.
as() {
    who=$1
    shift
    (cd / && runuser -u "$who" -- "$@")
}

is_rack() { [ "$role" != oncall ]; }
is_oncall() { [ "$role" != rack ]; }
under_systemd() { [ -d /run/systemd/system ]; }
has_network() {
    grep -qs '^[^[:space:]]*[[:space:]]*00000000[[:space:]]' /proc/net/route ||
        grep -s '^0\{32\} 00 ' /proc/net/ipv6_route | grep -qv ' lo$'
}

# What cannot work is refused before anything is changed.
refuse_early() {
    case $(uname -m) in
    aarch64 | x86_64) ;;
    *) give_up "this machine ($(uname -m)) is not 64-bit: numpy has no packages for it. Put a 64-bit Debian on the card." ;;
    esac
    [ "$(getconf LONG_BIT)" = 64 ] ||
        give_up "this Debian is a 32-bit one: numpy has no packages for it. Put a 64-bit Debian on the card."
    python=$(find_python any) || give_up "Python 3.11 or newer is needed, here is $(python3 -V 2>&1 || true):" \
        "Debian 12 and later have it:  apt install python3"
    lock="$root/deploy/locks/python$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])').txt"
    [ -e "$lock" ] || give_up "$("$python" -V) is not supported: there is no ${lock#"$root"/}"
    # /opt may be missing, and within a chroot nobody may know what it lies on.
    free=$(df -Pk /opt / 2>/dev/null | awk 'NR == 2 { print int($4 / 1024) }')
    [ "${free:-$need_mb}" -ge $need_mb ] || give_up "/opt has $free MB free; $need_mb MB are needed"
    [ -d "$root/wheels" ] || has_network || [ -e "$(home_of "$id")/complete" ] ||
        give_up "no network, and no bundle: make one with deploy/bundle.sh on a machine with a network," \
            "bring it here and name it:  sudo sh deploy/install.sh --bundle FILE"
    [ -z "$broker" ] || has_program mosquitto || has_network ||
        give_up "no network, and no mosquitto here: install Debian's mosquitto, or take a broker elsewhere (--no-broker)"
}

packages() {
    missing=
    [ -d "$root/wheels" ] || [ -e "$(home_of "$id")/complete" ] || can_make_environments "$python" ||
        missing="python3-venv"
    [ -z "$broker" ] || has_program mosquitto || missing="$missing mosquitto"
    [ -z "$network" ] || has_program openssl || missing="$missing openssl"
    [ -z "$missing" ] || ! has_apt || step "install with apt: $missing" debian_packages
}

# A fresh image has no lists of packages, or old ones.
debian_packages() {
    # shellcheck disable=SC2086  # a list of names
    apt_get install $missing || { apt_get update && apt_get install $missing; } ||
        explain "apt could not install $missing"
}

# user NAME HOME: the same at every start; what an earlier one of that name left is its own again.
user() {
    id "$1" >/dev/null 2>&1 || step "make the user $1" useradd --system --user-group \
        --no-create-home --home-dir "$2" --shell /usr/sbin/nologin "$1"
    [ ! -d "$2" ] || [ "$(stat -c %U "$2")" = "$1" ] || step "give $2 to $1" chown -R "$1:$1" "$2"
}

write_completion() {
    mkdir -p "${completion%/*}"
    "$prefix/bin/shtab" --shell=bash --error-unimportable --output="$completion" \
        daemon.commands.cli.bellwatch_parser
}

first_settings() {
    install -m 0640 -o root -g bellwatch "$root/deploy/bellwatch.example.toml" "$settings"
    [ -z "$broker" ] ||
        sed -i -e 's/^# \(username = "bellwatch"\)/\1/' -e 's/^# \(password_file = \)/\1/' "$settings"
}

settings_of_the_machine() {
    [ -d $etc ] || step "make $etc" install -d -m 0751 -o root -g "$1" $etc
    [ ! -d $etc ] || [ "$(stat -c '%G %a' $etc)" = "$1 751" ] || step "give $etc to $1" own_settings "$1"
    [ "$role" = "$(cat $etc/role 2>/dev/null)" ] || step "note that this machine is for: $role" keep_role
    ! is_rack || [ -e $settings ] || step "write $settings, an invented rack for you to replace" first_settings
    ! is_oncall || [ -e $etc/oncall.toml ] ||
        step "write $etc/oncall.toml and oncall-routes.toml, an invented team for you to replace" first_oncall
}

# Its broker is that of the rack: on this machine, or on another by its certificate.
first_oncall() {
    for file in "oncall-routes.example.toml oncall-routes.toml" "oncall.example.toml oncall.toml"; do
        install -m 0640 -o root -g bellwatch-oncall "$root/deploy/${file% *}" "$etc/${file#* }"
    done
    if is_rack; then
        sed -i -e 's/^host = .*/host = "localhost"/' -e 's/^\(port = 8883\|tls = true\)/# \1/' $etc/oncall.toml
    else
        sed -i 's/^# \(ca_file = \)/\1/' $etc/oncall.toml
        put_once /dev/null $etc/oncall-broker-password 0640 root:bellwatch-oncall
    fi
}

keep_role() { echo "$role" >$etc/role; }

# After an uninstall they are root's, and the groups are new ones.
own_settings() {
    chown "root:$1" $etc
    chmod 0751 $etc
    for file in "$etc"/*; do
        case ${file##*/} in
        oncall*) group=bellwatch-oncall ;;
        *) group=bellwatch ;;
        esac
        ! getent group $group >/dev/null || chown "root:$group" "$file"
    done
}

# What belongs to each role; the units of the version that watches, so that a rollback brings its own back.
units_of_the_role() {
    ! is_rack || echo bellwatch.service bellwatch-page.service bellwatch-backup.service bellwatch-backup.timer
    ! is_oncall || echo bellwatch-oncall.service
}

# services FOLDER: puts the units of a version in place; what runs is started anew if they or the version changed.
services() {
    wrote=$switched
    for unit in $(units_of_the_role); do
        [ ! -e "$1/$unit" ] || put "$1/$unit" "/etc/systemd/system/$unit" 0644 root:root
    done
    put "$1/journald.conf" /etc/systemd/journald.conf.d/bellwatch.conf 0644 root:root
    put "$1/watchdog.conf" /etc/systemd/system.conf.d/bellwatch.conf 0644 root:root
    ! is_rack || put "$1/99-bellwatch-serial.rules" /etc/udev/rules.d/99-bellwatch-serial.rules 0644 root:root
    if under_systemd && [ -n "$wrote" ]; then
        step "tell systemd and udev" systemctl daemon-reload
        [ -n "$dry_run" ] || udevadm control --reload 2>/dev/null || true
        step "put the log into its bounds" systemctl try-restart systemd-journald
        # shellcheck disable=SC2046  # a list of names
        step "start anew what runs" systemctl try-restart $(units_of_the_role)
    fi
}

install_it() {
    id=$(version_of "$root")
    refuse_early
    packages
    ! is_rack || user bellwatch $data
    ! is_oncall || user bellwatch-oncall $data-oncall
    ! is_rack || id -nG bellwatch 2>/dev/null | grep -qw dialout ||
        step "let bellwatch use serial ports (group dialout)" usermod -aG dialout bellwatch
    build
    settings_of_the_machine "$(is_rack && echo bellwatch || echo bellwatch-oncall)"
    [ -z "$broker" ] || broker_of_the_rack
    take_over
    [ -n "$dry_run" ] || write_completion 2>"$log" || say "no completion for bash: $(tail -n 1 "$log")"
}

say_what_is_next() {
    say "done: $id. Next, as it stands here:"
    ! is_rack || cat <<END
  1. sudoedit $settings                      put your rack into it
  2. sudo -u bellwatch bellwatch check       says everything that is wrong with it
  3. sudo systemctl enable --now bellwatch bellwatch-page
  4. sudo -u bellwatch bellwatch status
END
    ! is_oncall || cat <<END
  on call: sudoedit $etc/oncall.toml $etc/oncall-routes.toml
  from a rack on another machine: its password for oncall into $etc/oncall-broker-password, its bellwatch-ca.crt to
  $etc/broker-ca.pem; then
  sudo -u bellwatch-oncall bellwatch oncall --check $etc/oncall.toml
  sudo systemctl enable --now bellwatch-oncall
END
}

uninstall() {
    for unit in bellwatch-backup.timer bellwatch bellwatch-page bellwatch-oncall; do
        ! under_systemd || [ ! -e "/etc/systemd/system/${unit%.timer}.service" ] ||
            step "stop $unit" systemctl --quiet disable --now "$unit"
    done
    step "delete the program, its units and links" rm -rf $prefix /etc/systemd/system/bellwatch*.service \
        /etc/systemd/system/bellwatch*.timer /etc/systemd/system/bellwatch*.service.d \
        /etc/udev/rules.d/99-bellwatch-serial.rules /etc/systemd/journald.conf.d/bellwatch.conf \
        /etc/systemd/system.conf.d/bellwatch.conf $completion \
        /usr/local/bin/bellwatch /usr/local/sbin/bellwatch-install /etc/mosquitto/conf.d/bellwatch*.conf
    ! under_systemd || step "tell systemd and the broker" sh -c \
        'systemctl daemon-reload; systemctl try-restart mosquitto 2>/dev/null || true'
    for who in bellwatch bellwatch-oncall; do
        ! id $who >/dev/null 2>&1 || step "delete the user $who" userdel $who
    done
    for kept in $data $data-oncall $etc; do
        [ ! -d "$kept" ] || step "keep $kept, for root" sh -c "chown -R root:root $kept; chmod 0700 $kept"
    done
    say "kept: the journal and what it noted in $data, settings and passwords in $etc, the broker's users in" \
        "/etc/mosquitto/bellwatch.*; a new install goes on from them"
}

if [ -n "$bundle" ]; then
    unpack_and_go_on
fi
case $act in
install | upgrade)
    install_it
    [ -n "$dry_run" ] || say_what_is_next
    ;;
rollback) rollback ;;
uninstall) uninstall ;;
restore) restore "$name" ;;
broker-user) one_more_user "$name" ;;
esac
