#!/bin/sh
# A Redis server of a set that Sentinel watches:
#
#   beside_sentinel.sh SERVICE "SENTINEL:PORT SENTINEL:PORT SENTINEL:PORT" HOST PORT redis-server WORD…
#
# HOST and PORT are its own, as the sentinels know it. With one replica nothing is accepted after a failover until the
# old primary has come back as the new one's replica, and Sentinel waits about ten seconds before it makes it one. So
# who comes back asks the sentinels first and starts as the replica of whom they name; and who was only stopped, wakes
# up and still takes itself for the primary is made one within two seconds. Two sentinels must name the same other
# server, and that one must say that it is the primary (while running: three times, half a second apart, so that no
# failover under way is undone); else nothing is changed, and Sentinel does what it does anyway.
# FIRST_PRIMARY="HOST PORT": whose replica it is while no two sentinels answer, at the very first start.
# PASSWORD_FILE: the servers' password; SENTINEL_AUTH: the sentinels' own, if they have one.
set -u
service=$1 sentinels=$2 host=$3 port=$4
shift 4
auth=""
if [ -n "${PASSWORD_FILE:-}" ]; then
    until [ -s "$PASSWORD_FILE" ]; do sleep 0.2; done
    auth=$(cat "$PASSWORD_FILE")
fi

ask() { REDISCLI_AUTH=$auth timeout 0.5 redis-cli "$@" 2>/dev/null; }

named() { # "HOST PORT" of the primary that two sentinels agree on, or nothing
    for one in $sentinels; do
        REDISCLI_AUTH=${SENTINEL_AUTH:-} timeout 0.5 redis-cli -h "${one%:*}" -p "${one##*:}" \
            SENTINEL get-master-addr-by-name "$service" 2>/dev/null | paste -s -d ' ' -
    done | sort | uniq -c | while read -r count address; do
        case $address in *' '*) [ "$count" -ge 2 ] && echo "$address" ;; esac
    done
}

says_primary() { ask -h "$1" -p "$2" ROLE | head -n 1 | grep -q '^master$'; }

is_other() { # of what `named` said: another server than this one, that is there
    [ $# -eq 2 ] && [ "$1 $2" != "$host $port" ] && says_primary "$1" "$2"
}

watch() { # of the server's process id
    seen="" times=0
    while sleep 0.5 && kill -0 "$1" 2>/dev/null; do
        primary=""
        if says_primary "$host" "$port"; then
            primary=$(named)
            is_other $primary || primary=""
        fi
        [ -n "$primary" ] && [ "$primary" = "$seen" ] && times=$((times + 1)) || times=1
        seen=$primary
        if [ -n "$primary" ] && [ $times -ge 3 ]; then
            ask -h "$host" -p "$port" REPLICAOF $primary >/dev/null
        fi
    done
}

primary=$(named)
watch $$ &
if [ -z "$primary" ] && [ -n "${FIRST_PRIMARY:-}" ]; then exec "$@" --replicaof $FIRST_PRIMARY; fi
if is_other $primary; then exec "$@" --replicaof $primary; fi
exec "$@"
