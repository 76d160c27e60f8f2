# The versions that lie beside each other in /opt/bellwatch/versions, and the one switched link, /opt/bellwatch/bin.
# To be sourced by install.sh. POSIX sh.
# shellcheck shell=sh disable=SC2034,SC2154

prefix=/opt/bellwatch

home_of() { printf '%s/versions/%s\n' "$prefix" "$1"; }

# The version that the link names; nothing where none is installed.
current() {
    link=$(readlink $prefix/bin 2>/dev/null) || return 0
    link=${link%/bin}
    printf '%s\n' "${link##*/}"
}

# A bundle is looked at and unpacked, and its own installer goes on: the one here may be older.
unpack_and_go_on() {
    [ -r "$bundle" ] || give_up "$bundle: no such file; a bundle is made by deploy/bundle.sh"
    mkdir "$log.d"
    tar -xzf "$bundle" --no-same-owner -C "$log.d" 2>"$log" || explain "$bundle is no bundle, or only part of one"
    inside=$(echo "$log.d"/*)
    (cd "$inside" && sha256sum --quiet --check SHA256SUMS) >"$log" 2>&1 || explain "$bundle is damaged"
    set -- "$act" --role "$role" ${dry_run:+--dry-run} ${network:+--network}
    [ -n "$broker" ] || [ "$role" = oncall ] || set -- "$@" --no-broker
    status=0
    sh "$inside/deploy/install.sh" "$@" || status=$?
    exit "$status"
}

# build: the environment of version $id, whole or not at all. Nothing of another version is in it.
build() {
    home=$(home_of "$id")
    [ -e "$home/complete" ] || step "make version $id in $home" make_version
}

make_version() {
    rm -rf "$home"
    mkdir -p "$home"
    if [ -d "$root/wheels" ]; then
        # Debian's Python may lack what makes a pip; the bundle brings one, which runs out of its wheel.
        "$python" -m venv --without-pip "$home" >"$log" 2>&1 || explain "could not make $home"
        pip() { "$home/bin/python" "$(echo "$root"/wheels/pip-*.whl)/pip" --no-cache-dir "$@" >"$log" 2>&1; }
        set -- --no-index --find-links "$root/wheels"
    else
        "$python" -m venv "$home" >"$log" 2>&1 || explain "could not make $home"
        pip() { "$home/bin/python" -m pip --no-cache-dir "$@" >"$log" 2>&1; }
        set -- --retries 1 --timeout 20
    fi
    pip install --quiet --disable-pip-version-check --require-hashes --only-binary=:all: "$@" -r "$lock" ||
        explain "the Python packages could not be installed. No network? A bundle needs none: --bundle FILE"
    "$home/bin/python" -m pip install --quiet --disable-pip-version-check --no-cache-dir --no-deps --no-index \
        --no-build-isolation "$root" >"$log" 2>&1 ||
        explain "bellwatch itself could not be installed"
    cp -R "$root/deploy" "$root/pyproject.toml" "$home"
    printf '%s\n' "$id" >"$home/id"
    printf '#!/bin/sh\nexec sh %s/deploy/install.sh "$@"\n' "$home" >"$home/bin/bellwatch-install"
    chmod 755 "$home/bin/bellwatch-install"
    : >"$home/complete"
}

# switch ID: at one stroke; the version that was left can be gone back to.
switch() {
    left=$(current)
    switched=yes
    if [ -d $prefix/bin ] && [ ! -L $prefix/bin ]; then
        # from before there were versions; what runs has it in memory
        for old in bin lib lib64 include share pyvenv.cfg; do
            rm -rf "${prefix:?}/$old"
        done
    fi
    ln -sfn "versions/$1/bin" $prefix/bin.new
    mv -T $prefix/bin.new $prefix/bin
    [ -z "$left" ] || [ "$left" = "$1" ] || printf '%s\n' "$left" >$prefix/previous
    ln -sfn $prefix/bin/bellwatch /usr/local/bin/bellwatch
    ln -sfn $prefix/bin/bellwatch-install /usr/local/sbin/bellwatch-install
    for kept in "$prefix"/versions/*; do
        [ "${kept##*/}" = "$1" ] || [ "${kept##*/}" = "$(cat $prefix/previous 2>/dev/null)" ] || rm -rf "$kept"
    done
}

watched_here() { is_rack && [ -n "$(current)" ] && [ -e "$settings" ]; }

journal_path() { sed -n '/^\[journal\]/,/^\[/s/^path *= *"\(.*\)".*/\1/p' "$settings"; }

# journal_here: the journal that the settings name, if there is one.
journal_here() {
    path=$(journal_path)
    [ ! -e "$path" ] || printf '%s\n' "$path"
}

# Before anything is stopped the new version says what it makes of settings and journal; of that a copy is kept.
look_before() {
    copy=
    [ -z "$(journal_here)" ] ||
        copy=$(as bellwatch $prefix/bin/bellwatch backup "$data/before-upgrade" --keep 2) ||
        give_up "no copy of the journal could be made, so $(current) watches on"
    said=$(as bellwatch "$home/bin/bellwatch" fits --settings "$settings" ${copy:+--journal "$copy"} 2>"$log") ||
        give_up "$(cat "$log")" "$id cannot go on from here, so $(current) watches on"
    printf '%s\n' "$said" | while read -r line; do say "  $line"; done
    [ -z "$copy" ] || say "  the journal as it is now: $copy"
}

take_over() {
    before=$(current)
    if [ "$before" = "$id" ]; then
        services "$root/deploy"
        return
    fi
    ! watched_here || step "ask $id what it makes of settings and journal" look_before
    step "switch to $id" switch "$id"
    if ! services "$root/deploy"; then
        [ -n "$before" ] || give_up "$id does not start:  journalctl -u bellwatch"
        say "$id does not start (journalctl -u bellwatch): going back to $before"
        go_back_to "$before"
        give_up "$before watches again"
    fi
}

rollback() {
    before=$(cat $prefix/previous 2>/dev/null) || before=none
    [ -e "$(home_of "$before")/complete" ] ||
        give_up "there is no version before $(current) here to go back to"
    step "go back from $(current) to $before" go_back_to "$before"
    [ -n "$dry_run" ] || say "$before watches; forward again the same way:  sudo bellwatch-install rollback"
}

# go_back_to ID: unless it could not read the settings or the journal as they are now.
go_back_to() {
    home=$(home_of "$1")
    if watched_here && ! as bellwatch "$home/bin/bellwatch" fits --settings "$settings" >/dev/null 2>"$log"; then
        copy=$(newest "$data/before-upgrade/*.sqlite")
        give_up "$(cat "$log")" "$1 cannot go on from here, so $(current) watches on. Wrong settings are put right in $settings;" \
            "a newer journal gives way to a copy from before the upgrade (what came since lies beside it, unread):" \
            "  sudo systemctl stop bellwatch" \
            "  sudo -u bellwatch $home/bin/bellwatch restore ${copy:-COPY}" \
            "  sudo bellwatch-install rollback && sudo systemctl start bellwatch"
    fi
    switch "$1"
    services "$home/deploy" || give_up "$1 does not start either:  journalctl -u bellwatch"
}

# restore FOLDER: a new card goes on where the old one was; of what is in the folder the newest.
restore() {
    journal=$(newest "$1/journal-*.sqlite")
    packed=$(newest "$1/settings-*.tar.gz")
    { [ -n "$journal" ] && [ -n "$packed" ]; } || give_up "$1: no backup there (journal-*.sqlite and settings-*.tar.gz)"
    [ -d "$etc" ] || give_up "install first, then restore"
    # shellcheck disable=SC2046  # a list of names
    ! under_systemd || step "stop what runs" systemctl stop $(units_of_the_role)
    step "put settings, passwords and the broker's users of $packed in their places" \
        tar -xzf "$packed" --same-permissions -C / --wildcards 'etc/bellwatch/*' 'etc/mosquitto/*bellwatch*'
    step "put the journal $journal in its place, under a new run" restore_journal
    ! under_systemd || step "start the broker anew" systemctl try-restart mosquitto
    [ -n "$dry_run" ] || say "restored. Look at $settings (other ports?), then:  sudo systemctl enable --now" \
        "bellwatch bellwatch-page bellwatch-backup.timer"
}

# newest PATTERN: by the time in the name.
newest() {
    # shellcheck disable=SC2012,SC2086  # a pattern, and names of our own making
    ls -1d $1 2>/dev/null | LC_ALL=C sort | tail -n 1
}

# The copy may lie where the watch's user may not look.
restore_journal() {
    path=$(journal_path)
    install -d -m 0750 -o bellwatch -g bellwatch "${path%/*}"
    install -m 0640 -o bellwatch -g bellwatch "$journal" "$path.card"
    as bellwatch $prefix/bin/bellwatch restore --settings "$settings" "$path.card" >/dev/null
    rm -f "$path.card"
}
