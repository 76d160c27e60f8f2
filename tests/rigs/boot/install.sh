#!/bin/bash
# From a bundle to a watched rack, upgraded, rolled back, uninstalled; the words are those of deploy/README.md.
. /rig/common.sh
cd /root

timed offline sh /checkout/deploy/install.sh --dry-run
say network "$(ls /sys/class/net | tr '\n' ' ')"
mkdir -p /var/log/journal # as on a Debian that keeps its log
timed unpack tar -xzf /rig/bellwatch-1.tar.gz
timed install sh bellwatch-*/deploy/install.sh --network
timed again sh bellwatch-*/deploy/install.sh --network
say "example" "$(bw check | tail -1)"

# The example as installed: its own wireless bus at the installer's own broker.
timed user bellwatch-install broker-user probes
timed start systemctl enable --now bellwatch
"$(readlink -f /opt/bellwatch/bin)/python" - <<'X'
import time
import paho.mqtt.client as mqtt
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.username_pw_set("probes", open("/etc/bellwatch/probes-password").read().strip())
client.tls_set("/etc/mosquitto/certs/bellwatch-ca.crt")
client.connect("localhost", 8883)
client.loop_start()
for k in range(20):
    client.publish("nursery/tray-1", '{"water": {"t": 10.%02d, "c": 30.1}}' % k, qos=1).wait_for_publish(5)
    time.sleep(0.3)
X
sent=$?
sleep 12 # the example writes readings down every 10 s
say "wireless" "$sent heard $(count)"

install -m 0640 -g bellwatch /rig/bellwatch.toml /etc/bellwatch/bellwatch.toml
plug_probe_in
timed check runuser -u bellwatch -- bellwatch check
systemctl restart bellwatch
say "watched" "$(state) reads $(reads) $(version)"
say "alarm" "$(until_standing)"
bw ack k1/temperature/high --who Ada >/out/ack 2>&1
say "stage" "$(bw stage k1 bench-2 --over 2d --who Ada 2>&1 | tail -1)"
sleep 3
say "acknowledged" "$(standing)"
# As systemd took them: that the kernel keeps to them takes a machine of its own.
say "bounds" "log $(journalctl -u systemd-journald -o cat | grep -o '/var/log/journal.*max [0-9]*' | tail -1 |
    grep -o '[0-9]*$') page $(systemctl show bellwatch-page -p MemoryMax --value) watch $(systemctl show bellwatch \
    -p OOMScoreAdjust --value) hardware $(systemctl show -p RuntimeWatchdogUSec --value)"

timed upgrade bellwatch-install upgrade --bundle /rig/bellwatch-2.tar.gz
say "upgraded" "$(state) reads $(reads) $(version) alarms $(until_standing)"
say "gone" "$(find "$(readlink -f /opt/bellwatch/bin)/.." -path '*/simulator/__main__.py' | wc -l)"
timed rollback bellwatch-install rollback
say "rolled back" "$(state) reads $(reads) $(version) alarms $(until_standing)"

pid=$(systemctl show bellwatch -p MainPID --value)
timed unfit bellwatch-install upgrade --bundle /rig/bellwatch-3.tar.gz
say "after unfit" "$(state) $(version) same process $([ "$pid" = "$(systemctl show bellwatch -p MainPID --value)" ] && echo yes)"
timed dead bellwatch-install upgrade --bundle /rig/bellwatch-4.tar.gz
say "after dead" "$(state) reads $(reads) $(version)"

timed layout bellwatch-install upgrade --bundle /rig/bellwatch-5.tar.gz
say "after layout" "$(state) reads $(reads) $(version)"
timed refused bellwatch-install rollback
say "after refused" "$(state) reads $(reads) $(version)"
# as it says: the three lines that it prints
grep '^bellwatch:   sudo ' /out/refused | sed -e 's/^bellwatch:   //' -e 's/sudo -u bellwatch/runuser -u bellwatch --/' \
    -e 's/sudo //g' >/root/as-it-says.sh
timed back bash -e /root/as-it-says.sh
say "after back" "$(state) reads $(reads) $(version)"

head -c 1000000 /rig/bellwatch-2.tar.gz >/root/cut.tar.gz
timed cut bellwatch-install upgrade --bundle /root/cut.tar.gz
timed uninstall bellwatch-install uninstall
say "uninstalled" "$(id bellwatch 2>&1 | grep -c 'no such') $(ls -d /opt/bellwatch /usr/local/bin/bellwatch \
    /usr/local/sbin/bellwatch-install /etc/systemd/system/bellwatch* 2>/dev/null | tr '\n' ' ')"
say "kept" "$(stat -c '%U %a' /var/lib/bellwatch) $(ls /var/lib/bellwatch/journal.sqlite /etc/bellwatch/bellwatch.toml | wc -l)"
before=$(count)
timed reinstall sh bellwatch-*/deploy/install.sh --role both
timed oncall runuser -u bellwatch-oncall -- bellwatch oncall --check /etc/bellwatch/oncall.toml
systemctl enable --now bellwatch-oncall
systemctl enable --now bellwatch
plug_probe_in
systemctl restart bellwatch
say "goes on" "$(state) reads $(reads) beyond $([ "$(count)" -gt "$before" ] && echo yes)"
for _ in $(seq 20); do
    journalctl -u bellwatch-oncall -o cat | grep -q connected && break
    sleep 1
done
say "calls" "$(state bellwatch-oncall) connected $(journalctl -u bellwatch-oncall -o cat | grep -q broker_connected && echo yes)"
say "disk" "$(du -sm /opt/bellwatch/versions/* | cut -f1 | tr '\n' ' ')"
finish
