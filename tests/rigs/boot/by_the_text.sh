#!/bin/bash
# deploy/README.md word by word, in a root that has never seen us: each line that one types there, in its order.
. /rig/common.sh
cd /root
# A bare Debian has no sudo; what one types into an editor lies there, written.
printf '#!/bin/sh\nif [ "$1" = -u ]; then shift; exec runuser -u "$@"; fi\nexec "$@"\n' >/usr/local/bin/sudo
printf '#!/bin/sh\ncat /rig/bellwatch.toml >"$1"\n' >/usr/local/bin/sudoedit
chmod 755 /usr/local/bin/sudo /usr/local/bin/sudoedit

# typed HEADING BUNDLE: types the lines under a heading, with the name of the bundle that was carried over.
typed() {
    local line began status name
    name=$(tar -tzf "$2" | head -n 1)
    name=${name%%/*}
    cp "$2" "/root/$name.tar.gz"
    while IFS= read -r line; do
        line=${line%%  *#*}
        line=${line//bellwatch-VERSION/$name}
        began=$SECONDS
        case $line in *" -f") line="timeout 5 $line" ;; esac # one reads the log for a while
        status=0
        bash -c "$line" >>/out/typed 2>&1 </dev/null || status=$?
        say "$((++typed_so_far)) $line" "$status after $((SECONDS - began)) s"
    done < <(sed -n "/^## $1/,/^## /p" /checkout/deploy/README.md |
        sed -n 's/^    \(\(sudo\|sudoedit\|sh\|tar\|sha256sum\|journalctl\) .*\)/\1/p' |
        grep -v '^\(sudo \)\?sh deploy/') # with a network, or on the machine that has one
}

typed "2\." /rig/bellwatch-1.tar.gz
plug_probe_in
mkdir -p /mnt/backup
mount -t tmpfs -o size=64m,mode=0755,uid="$(id -u bellwatch)" tmpfs /mnt/backup
typed "3\." /rig/bellwatch-1.tar.gz
say "watched" "$(state) reads $(reads) after $SECONDS s"
typed "5\." /rig/bellwatch-1.tar.gz
say "backup" "$(find /mnt/backup -name 'journal-*' | wc -l)"
typed "6\." /rig/bellwatch-2.tar.gz
say "after" "$(state) reads $(reads)"
typed "Take it away" /rig/bellwatch-1.tar.gz
finish
