#!/bin/bash
# Goes through the states, and writes what it sees into /out/seen, a line each.
exec 2>/out/errors
say() { echo "$1: $2" >>/out/seen; }
count() {
    python3 - <<'X'
import sqlite3
try:
    db = sqlite3.connect("file:/var/lib/bellwatch/journal.sqlite?mode=ro", uri=True)
    print(db.execute("SELECT ifnull(max(seq), 0) FROM reading").fetchone()[0])
except sqlite3.Error:
    print(0)
X
}
reads() {
    for _ in $(seq 20); do
        a=$(count)
        sleep 1
        [ "$(count)" -gt "$a" ] && { echo yes; return; }
    done
    echo no
}
state() { systemctl show bellwatch -p ActiveState --value; }
restarts() { systemctl show bellwatch -p NRestarts --value; }
logged() { journalctl -u bellwatch -o cat | grep -c "\"event\": \"$1\""; }
again() { systemctl restart bellwatch; say "$1 restart" "$? $(state) reads $(reads)"; }

mkdir -p /var/lib/bellwatch /var/lib/bellwatch-oncall
mount -t tmpfs -o size=24m tmpfs /var/lib/bellwatch
PYTHONPATH=/opt/bellwatch/checkout:/opt/bellwatch/site python3 /opt/bellwatch/boot/probe.py &
probe=$!
sleep 1
install -m 0640 -g bellwatch-oncall /etc/bellwatch/routes.toml /run/rack/routes.toml
systemctl start mosquitto
say "synchronised at first" "$(timedatectl show -p NTPSynchronized --value)"
say "network" "$(ls /sys/class/net | tr '\n' ' ')"
systemctl start bellwatch
say "unsynchronised start" "$? $(state) reads $(reads)"
say "unsynchronised logged" "$(logged clock_not_synchronised)"
again unsynchronised
systemctl start bellwatch-oncall
say "oncall start" "$? $(systemctl show bellwatch-oncall -p ActiveState --value)"
systemctl start bellwatch-page
for _ in $(seq 60); do
    served=$(python3 -c 'import urllib.request as u; print(u.urlopen("http://127.0.0.1:8781/").status)') && break
    sleep 1
done
say "page start" "$(systemctl show bellwatch-page -p ActiveState --value) served $served"
for unit in bellwatch bellwatch-oncall bellwatch-page; do
    say "exposure $unit" "$(systemd-analyze security $unit.service --no-pager | tail -1 | grep -oE '[0-9]+\.[0-9]+')"
done

mkdir -p /run/systemd/timesync
touch /run/systemd/timesync/synchronized
sleep 3
say "synchronised logged" "$(logged clock_synchronised)"
again synchronised

systemctl stop mosquitto
sleep 2
say "broker absent" "$(state) reads $(reads)"
again "broker absent"
systemctl start mosquitto
sleep 5
say "broker back" "$(state) connected $(journalctl -u bellwatch -o cat | tail -30 | grep -c broker_connected)"

before=$(restarts)
kill -USR1 $probe
sleep 5
say "unplugged" "$(state)"
kill -USR2 $probe
say "plugged again" "$(state) reads $(reads) restarts $(( $(restarts) - before ))"
kill -USR1 $probe
again_pid=$(systemctl show bellwatch -p MainPID --value)
systemctl restart bellwatch
say "unplugged restart" "$? $(state)"
kill -USR2 $probe
say "plugged after restart" "$(state) reads $(reads)"

dd if=/dev/zero of=/var/lib/bellwatch/filler bs=64k status=none
sleep 8
say "disk full" "$(state) said $(journalctl -u bellwatch -o cat | grep -cE 'disk_full|journal_not_writable')"
systemctl restart bellwatch
sleep 3
say "disk full restart" "$(state)"
rm -f /var/lib/bellwatch/filler
say "room again" "reads $(reads) $(state)"

before=$(restarts)
kill -STOP "$(systemctl show bellwatch -p MainPID --value)"
for _ in $(seq 150); do [ "$(restarts)" -gt "$before" ] && break; sleep 1; done
on=$(reads)
say "watchdog" "restarts $(( $(restarts) - before )) $(state) reads $on"

systemctl stop bellwatch
say "stop" "$? $(systemctl show bellwatch -p Result --value)"
journalctl -u bellwatch -u bellwatch-oncall -o cat >/out/journal
echo end: yes >>/out/seen
systemctl --no-block poweroff
