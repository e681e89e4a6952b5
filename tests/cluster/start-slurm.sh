#!/usr/bin/env bash
# A real Slurm on this one host, loopback only, as root: start-slurm.sh [DIR]
# NODES (2): how many slurmd. CPUS (2), MEMORY_MB (4000): what each offers. DBD (1): slurmdbd on MariaDB, which sacct needs.
# Starting twice is harmless, and brings back a node that died. DIR (default: one-host-slurm in the temporary folder) holds configuration, logs, state.
set -euo pipefail
dir=$(realpath -m "${1:-${TMPDIR:-/tmp}/one-host-slurm}"); nodes=${NODES:-2}; dbd=${DBD:-1}; cpus=${CPUS:-2}; memory=${MEMORY_MB:-4000}
marker=$dir/.one-host-slurm
say() { echo "one-host cluster: $*" >&2; }
die() { say "$*"; exit 1; }
[ "$(id -u)" = 0 ] || die "needs root"
[ ! -e "$dir" ] || [ -O "$marker" ] || die "$dir exists and is not a folder of this script"
system=/etc/slurm/slurm.conf
other=$(dirname "$(readlink $system || echo "$system")")
if { [ -e $system ] || [ -L $system ]; } && [ "$other" != "$dir" ]; then
  # a test that was killed leaves its link; what it pointed at is a folder of this script, or is gone
  [ -L $system ] && { [ ! -e "$other" ] || [ -O "$other/.one-host-slurm" ]; } || die "$system exists: this host has another Slurm"
  say "$system was left by $other: stopped"
  [ ! -e "$other" ] || "$(dirname "$0")/stop-slurm.sh" "$other"
  rm -f $system
fi

packages="munge slurmctld slurmd slurm-client"; [ "$dbd" = 0 ] || packages="$packages slurmdbd mariadb-server"
missing=; for p in $packages; do dpkg-query -W -f='${Status}' "$p" 2>/dev/null | grep -q 'ok installed' || missing="$missing $p"; done
if [ -n "$missing" ]; then
  say "installing$missing"
  # nothing may start by itself, now or at boot: this script starts the daemons with a configuration of its own
  policy=/usr/sbin/policy-rc.d
  if [ ! -e $policy ]; then trap 'rm -f /usr/sbin/policy-rc.d' EXIT; printf '#!/bin/sh\nexit 101\n' >$policy; chmod +x $policy; fi
  apt-get -q update >/dev/null
  DEBIAN_FRONTEND=noninteractive apt-get -q -y --no-install-recommends install $missing >/dev/null
  for unit in munge slurmctld slurmd slurmdbd mariadb; do systemctl disable $unit >/dev/null 2>&1 || true; done
fi

umask 077; mkdir -p "$dir"/{state,run,log,db}; touch "$marker"; chmod 711 "$dir" "$dir/run"
alive() { # alive NAME: its pid file's process lives and is still that program
  local pid; pid=$(cat "$dir/run/$1.pid" 2>/dev/null) && tr '\0' ' ' <"/proc/$pid/cmdline" 2>/dev/null | grep -q "$2"
}
start() { # start NAME PATTERN COMMAND...
  local name=$1 pattern=$2; shift 2
  alive "$name" "$pattern" && return
  setsid "$@" </dev/null >"$dir/log/$name.out" 2>&1 & echo $! >"$dir/run/$name.pid"
}
await() { local what=$1 n; shift; for n in $(seq 150); do "$@" >/dev/null 2>&1 && return; sleep 0.2; done; "$(dirname "$0")/stop-slurm.sh" "$dir"; die "$what did not come up; see $dir/log"; }

[ -s "$dir/munge.key" ] || head -c 128 /dev/urandom >"$dir/munge.key"
start munged munged munged --foreground --force --key-file="$dir/munge.key" --socket="$dir/run/munge.socket" --num-threads=10 \
  --pid-file="$dir/run/munged.own" --log-file="$dir/log/munged.log" --seed-file="$dir/state/munged.seed"
await munged munge -S "$dir/run/munge.socket" -n

if [ "$dbd" != 0 ]; then
  [ -d "$dir/db/mysql" ] || mariadb-install-db --no-defaults --user=root --datadir="$dir/db" --auth-root-authentication-method=normal --skip-test-db >"$dir/log/db-install.log" 2>&1
  start mariadbd mariadbd mariadbd --no-defaults --user=root --datadir="$dir/db" --socket="$dir/run/db.socket" --skip-networking \
    --innodb-buffer-pool-size=64M --innodb-lock-wait-timeout=900 --pid-file="$dir/run/mariadbd.own"
  sql="mariadb --no-defaults -S $dir/run/db.socket"
  await mariadbd $sql -e 'select 1'
  $sql -e "create database if not exists slurm_acct; create user if not exists slurm@localhost identified by 'slurm'; grant all on slurm_acct.* to slurm@localhost"
  cat >"$dir/slurmdbd.conf" <<CONF
DbdHost=localhost
DbdAddr=127.0.0.1
DbdPort=16819
SlurmUser=root
AuthType=auth/munge
AuthInfo=socket=$dir/run/munge.socket
CommunicationParameters=NoInAddrAny
StorageType=accounting_storage/mysql
StorageLoc=slurm_acct
StorageUser=slurm
StoragePass=slurm
StorageHost=localhost
LogFile=$dir/log/slurmdbd.log
PidFile=$dir/run/slurmdbd.own
CONF
  start slurmdbd slurmdbd env MYSQL_UNIX_PORT="$dir/run/db.socket" SLURM_CONF="$dir/slurmdbd.conf" slurmdbd -D
  await slurmdbd bash -c '</dev/tcp/127.0.0.1/16819'
fi

{
  cat <<CONF
ClusterName=onehost
SlurmctldHost=localhost(127.0.0.1)
SlurmctldPort=16817
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$dir/run/munge.socket
CredType=cred/munge
CommunicationParameters=NoInAddrAny,NoCtldInAddrAny
StateSaveLocation=$dir/state
SlurmdSpoolDir=$dir/state/%n
SlurmctldPidFile=$dir/run/slurmctld.own
SlurmdPidFile=$dir/run/%n.own
SlurmctldLogFile=$dir/log/slurmctld.log
SlurmdLogFile=$dir/log/%n.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/linux
JobAcctGatherFrequency=task=5
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
MpiDefault=none
ReturnToService=2
SlurmdTimeout=15
InactiveLimit=0
MinJobAge=600
KillWait=5
JobRequeue=0
SchedulerParameters=sched_interval=2,batch_sched_delay=0
SlurmdParameters=config_overrides
DebugFlags=NO_CONF_HASH
CONF
  if [ "$dbd" = 0 ]; then echo AccountingStorageType=accounting_storage/none
  else printf '%s\n' AccountingStorageType=accounting_storage/slurmdbd AccountingStorageHost=127.0.0.1 AccountingStoragePort=16819 AccountingStoragePass="$dir/run/munge.socket"; fi
  for i in $(seq "$nodes"); do echo "NodeName=node$i NodeHostname=localhost NodeAddr=127.0.0.1 Port=$((16820 + i)) CPUs=$cpus RealMemory=$memory State=UNKNOWN"; done
  echo "PartitionName=main Nodes=ALL Default=YES MaxTime=INFINITE State=UP OverSubscribe=NO"
} >"$dir/slurm.conf"
# Snakemake's Slurm plugin starts jobs without SLURM_CONF, so the file must also stand where Slurm looks by itself
mkdir -p -m 755 /etc/slurm; ln -sfn "$dir/slurm.conf" $system
export SLURM_CONF="$dir/slurm.conf"
if [ "$dbd" != 0 ]; then for what in "cluster onehost" "account lab Cluster=onehost" "user root Account=lab"; do sacctmgr -i -Q add $what >/dev/null 2>&1 || true; done; fi
start slurmctld slurmctld slurmctld -D
await slurmctld scontrol ping
for i in $(seq "$nodes"); do start "node$i" "slurmd.*node$i" slurmd -D -N "node$i"; done
ready() { [ "$(sinfo -h -N -t idle,mixed,allocated -o %N | sort -u | wc -l)" = "$nodes" ]; }
await "all nodes" ready
say "up: $nodes nodes of $cpus CPUs and $memory MB; export SLURM_CONF=$dir/slurm.conf"
