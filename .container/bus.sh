#!/bin/sh
# Redis as the bus: an append-only file each second (contract "process"), nothing evicted, a password from a file.
# The password goes in by standard input, so that no list of processes shows it. Words are further options.
set -eu
until [ -s /secrets/bus/bus_password ]; do sleep 0.2; done
{
  echo "requirepass $(cat /secrets/bus/bus_password)"
  echo "masterauth $(cat /secrets/bus/bus_password)"
  cat <<CONF
dir /bus
appendonly yes
appendfsync everysec
save ""
maxmemory 1500mb
maxmemory-policy noeviction
aof-use-rdb-preamble yes
auto-aof-rewrite-percentage 100
auto-aof-rewrite-min-size 64mb
timeout 0
tcp-keepalive 30
CONF
} | exec redis-server "$@" -
