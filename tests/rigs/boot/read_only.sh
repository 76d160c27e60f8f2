#!/bin/bash
# A root of which every change is gone at the next boot; only /var/lib/bellwatch stays. Passwords as credentials.
. /rig/common.sh
say "at start" "$(count)"
chown -R bellwatch: /var/lib/bellwatch
mkdir -p /etc/systemd/system/bellwatch.service.d
cat >/etc/systemd/system/bellwatch.service.d/credentials.conf <<'X'
[Service]
LoadCredential=broker-password:/etc/bellwatch/broker-password
Environment=BELLWATCH_BROKER__PASSWORD_FILE=%d/broker-password
X
chown root:root /etc/bellwatch/broker-password
chmod 0600 /etc/bellwatch/broker-password
plug_probe_in
systemctl restart mosquitto bellwatch
say "watched" "$(state) reads $(reads)"
say "alarms" "$(until_standing)"
say "credentials" "connected $(journalctl -u bellwatch -o cat | grep -q broker_connected && echo yes) of $(stat -c '%U %a' /etc/bellwatch/broker-password)"
systemctl stop bellwatch
say "at end" "$(count)"
finish
