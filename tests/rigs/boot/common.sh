# What the scripts of a booted rack share: how they say what they see, and what they look at.
say() { echo "$1: $2" >>/out/seen; }
# timed NAME COMMAND...: says its exit status and seconds; its words go to /out/NAME.
timed() {
    local name=$1 began=$SECONDS
    shift
    "$@" >"/out/$name" 2>&1
    say "$name" "$? after $((SECONDS - began)) s"
}
count() {
    /usr/bin/python3 - <<'X'
import sqlite3
try:
    db = sqlite3.connect("file:/var/lib/bellwatch/journal.sqlite?mode=ro", uri=True)
    print(db.execute("SELECT ifnull(max(seq), 0) FROM reading").fetchone()[0])
except sqlite3.Error:
    print(0)
X
}
reads() {
    for _ in $(seq 30); do
        a=$(count)
        sleep 1
        [ "$(count)" -gt "$a" ] && { echo yes; return; }
    done
    echo no
}
until_standing() {
    for _ in $(seq 40); do
        found=$(standing)
        [ -n "$found" ] && break
        sleep 1
    done
    echo "$found"
}
standing() {
    bw status --json 2>/dev/null | /usr/bin/python3 -c '
import json, sys
print(*sorted(it["name"] + "=" + it["state"] for it in json.load(sys.stdin)["alarms"]))'
}
numbers() { /usr/bin/python3 -c '
import sqlite3
db = sqlite3.connect("file:/var/lib/bellwatch/journal.sqlite?mode=ro", uri=True)
print(*(db.execute(f"SELECT count(*), max({key}) FROM {table}").fetchone() for table, key in
        (("reading", "seq"), ("action", "seq"), ("event", "number"))))'; }
run_of() {
    /usr/bin/python3 -c '
import sqlite3
db = sqlite3.connect("file:/var/lib/bellwatch/journal.sqlite?mode=ro", uri=True)
print(db.execute("SELECT id FROM run ORDER BY number DESC LIMIT 1").fetchone()[0])'
}
bw() { runuser -u bellwatch -- bellwatch "$@"; }
state() { systemctl show "${1:-bellwatch}" -p ActiveState --value; }
version() { bellwatch --version; }
plug_probe_in() {
    mkdir -p /etc/systemd/system/bellwatch.service.d
    printf '[Service]\nDeviceAllow=char-pts rw\n' >/etc/systemd/system/bellwatch.service.d/rig.conf
    systemctl daemon-reload
    PYTHONPATH=/checkout:/rig/site PYTHONDONTWRITEBYTECODE=1 "$(readlink -f /opt/bellwatch/bin)/python" /rig/probe.py &
    sleep 1
}
finish() {
    journalctl -u bellwatch -u bellwatch-backup -u bellwatch-oncall -u mosquitto -o cat >/out/journal
    echo "end: yes" >>/out/seen
    systemctl --no-block poweroff
}
