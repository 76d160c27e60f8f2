#!/bin/bash
# Within the root of the Pi's kind: from a bundle to a watched rack. No systemd here, and no network.
exec 2>/out/errors
. /rig/common.sh
export HOME=/root PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
cd /root
say "machine" "$(uname -m) $(getconf LONG_BIT)"
timed unpack tar -xzf /rig/bellwatch-1.tar.gz
timed install sh bellwatch-*/deploy/install.sh --no-broker
install -m 0640 -g bellwatch /rig/bellwatch.toml /etc/bellwatch/bellwatch.toml
echo invented >/etc/bellwatch/broker-password
timed check runuser -u bellwatch -- bellwatch check
install -d -o bellwatch -g bellwatch /var/lib/bellwatch
PYTHONPATH=/checkout:/rig/site PYTHONDONTWRITEBYTECODE=1 "$(readlink -f /opt/bellwatch/bin)/python" /rig/probe.py &
probe=$!
sleep 10
timed watch runuser -u bellwatch -- timeout --signal=INT 150 bellwatch run
kill $probe
say "readings" "$(count)"
say "alarm" "$(standing)"
echo "end: yes" >>/out/seen
