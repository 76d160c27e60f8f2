# The broker of the rack: users, permissions, encryption. To be sourced by install.sh. POSIX sh.
# shellcheck shell=sh disable=SC2154

mosquitto=/etc/mosquitto
certificates=$mosquitto/certs

# password_of USER FILE OWNER: makes a password in a file, and the user at the broker.
password_of() {
    [ -e "$2" ] || (umask 077 && "$python" -c 'import secrets; print(secrets.token_urlsafe(24))' >"$2")
    chown "$3" "$2"
    chmod 0640 "$2"
    [ -e $mosquitto/bellwatch.passwd ] ||
        install -m 0640 -o root -g mosquitto /dev/null $mosquitto/bellwatch.passwd
    printf '%s:%s\n' "$1" "$(cat "$2")" >"$log"
    mosquitto_passwd -U "$log"
    sed -i "/^$1:/d" $mosquitto/bellwatch.passwd
    cat "$log" >>$mosquitto/bellwatch.passwd
    : >"$log"
}

has_user() { grep -qs "^$1:" $mosquitto/bellwatch.passwd; }

broker_of_the_rack() {
    changed=
    put_once "$root/deploy/mosquitto.acl" $mosquitto/bellwatch.acl 0640 root:mosquitto
    [ ! -e $mosquitto/bellwatch.acl ] || cmp -s "$root/deploy/mosquitto.acl" $mosquitto/bellwatch.acl ||
        say "$mosquitto/bellwatch.acl is not the deploy/mosquitto.acl of this version: take over what is new in it"
    { has_user bellwatch && [ -e "$etc/broker-password" ]; } || {
        step "give the daemon its user at the broker" password_of bellwatch "$etc/broker-password" root:bellwatch
        changed=yes
    }
    ! is_oncall || { has_user oncall && [ -e "$etc/oncall-broker-password" ]; } || {
        step "give the on-call process its user at the broker" \
            password_of oncall "$etc/oncall-broker-password" root:bellwatch-oncall
        changed=yes
    }
    [ -e $mosquitto/conf.d/bellwatch.conf ] || changed=yes
    put_once "$root/deploy/mosquitto.conf" $mosquitto/conf.d/bellwatch.conf 0644 root:root
    [ -z "$network" ] || [ -e $mosquitto/conf.d/bellwatch-network.conf ] || {
        step "let others reach the broker, encrypted (port 8883)" open_to_others
        changed=yes
    }
    [ -z "$changed" ] || ! under_systemd || step "start the broker anew" systemctl restart mosquitto
}

# A certificate authority for this rack alone, and a certificate under the names that it is reached by.
open_to_others() {
    host=$(uname -n)
    names="DNS:$host,DNS:${host%%.*}.local,DNS:localhost,IP:127.0.0.1"
    for address in $(hostname -I 2>/dev/null); do
        names="$names,IP:$address"
    done
    new_key="req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"
    # shellcheck disable=SC2086  # a list of options
    (
        umask 077
        cd $certificates &&
            { [ -e bellwatch-ca.crt ] || openssl $new_key -x509 -days 3650 -keyout bellwatch-ca.key \
                -subj "/CN=bellwatch broker of ${host%%.*}" -out bellwatch-ca.crt; } &&
            printf 'subjectAltName=%s\n' "$names" >bellwatch.ext &&
            openssl $new_key -subj "/CN=${host%%.*}" -keyout bellwatch-broker.key -out bellwatch.csr &&
            openssl x509 -req -days 3650 -in bellwatch.csr -CA bellwatch-ca.crt -CAkey bellwatch-ca.key \
                -CAcreateserial -extfile bellwatch.ext -out bellwatch-broker.crt &&
            rm -f bellwatch.csr bellwatch.ext
    ) >"$log" 2>&1 || explain "no certificate could be made"
    chgrp mosquitto $certificates/bellwatch-broker.key
    chmod 0640 $certificates/bellwatch-broker.key
    chmod 0644 $certificates/bellwatch-ca.crt $certificates/bellwatch-broker.crt
    printf '%s\n' "listener 8883" "cafile $certificates/bellwatch-ca.crt" \
        "certfile $certificates/bellwatch-broker.crt" "keyfile $certificates/bellwatch-broker.key" \
        >$mosquitto/conf.d/bellwatch-network.conf
    say "  its names: $names; whoever connects needs $certificates/bellwatch-ca.crt"
}

# one_more_user NAME: probes that publish, the on-call process of another machine, a screen.
one_more_user() {
    { grep -qs "^user $1\$" $mosquitto/bellwatch.acl && [ "$1" != bellwatch ]; } ||
        give_up "$1: not a user of $mosquitto/bellwatch.acl; there are:" \
            "$(sed -n 's/^user //p' $mosquitto/bellwatch.acl 2>/dev/null | grep -v bellwatch | tr '\n' ' ')"
    python=$(find_python any)
    step "make the user $1 at the broker" password_of "$1" "$etc/$1-password" root:bellwatch
    ! under_systemd || step "tell the broker" systemctl kill --signal=HUP mosquitto
    [ -n "$dry_run" ] || say "user $1, password $(cat "$etc/$1-password") (kept in $etc/$1-password)"
}
