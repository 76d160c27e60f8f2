#!/bin/bash
# A new card goes on where the old one was: bundle, backup, nothing else.
. /rig/common.sh
cd /root
tar -xzf /rig/bellwatch-1.tar.gz
timed install sh bellwatch-*/deploy/install.sh
mkdir -p /mnt/backup
mount -t tmpfs -o size=64m tmpfs /mnt/backup
cp /rig/stick/* /mnt/backup
timed restore bellwatch-install restore /mnt/backup
timed check runuser -u bellwatch -- bellwatch check
say "after" "$(standing) numbers $(numbers)"
say "run" "$(run_of)"
say "login" "$("$(readlink -f /opt/bellwatch/bin)/python" - <<'X'
import time
import paho.mqtt.client as mqtt
came = []
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.on_connect = lambda *told: came.append(told[3])
client.username_pw_set("probes", open("/etc/bellwatch/probes-password").read().strip())
client.tls_set("/etc/mosquitto/certs/bellwatch-ca.crt")
client.connect("localhost", 8883)
client.loop_start()
time.sleep(2)
print("yes" if [it.is_failure for it in came] == [False] else came)
X
)"
plug_probe_in
timed start systemctl enable --now bellwatch bellwatch-page bellwatch-backup.timer
say "watched" "$(state) reads $(reads) $(standing)"
bw status >/out/status 2>&1
say "said" "$(tr -s '\n ' ' ' </out/status | grep -o 'went back.\{0,90\}' | head -1)"
systemctl stop bellwatch
finish
