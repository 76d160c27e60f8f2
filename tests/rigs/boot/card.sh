#!/bin/bash
# The card that will die: a watched rack with an alarm that somebody has seen, and a backup on a stick.
. /rig/common.sh
cd /root
tar -xzf /rig/bellwatch-1.tar.gz
sh bellwatch-*/deploy/install.sh --network >/out/install 2>&1
bellwatch-install broker-user probes >/out/user 2>&1
install -m 0640 -g bellwatch /rig/bellwatch.toml /etc/bellwatch/bellwatch.toml
plug_probe_in
systemctl enable --now bellwatch
until_standing >/dev/null
bw ack k1/temperature/high --who Ada >/out/ack 2>&1
sleep 2
mkdir -p /mnt/backup
systemctl start bellwatch-backup
say "no stick" "$(journalctl -u bellwatch-backup -o cat | grep '^backup: ')"
sleep 65
bw status >/out/status 2>&1
mount -t tmpfs -o size=64m,mode=0755,uid="$(id -u bellwatch)" tmpfs /mnt/backup
systemctl enable --now bellwatch-backup.timer
# What the backup holds and nothing after it: the watch stops first.
systemctl stop bellwatch
timed backup systemctl start bellwatch-backup
say "before" "$(standing) numbers $(numbers)"
say "run" "$(run_of)"
cp -r /mnt/backup /out/stick
finish
