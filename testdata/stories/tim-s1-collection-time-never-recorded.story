# TIM-S1 Collection time never recorded
# EFLM survey 2020 (von Meyer and others, Clin Chem Lab Med), no stable address
story "the first scan is the pick-up"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260201 type=LIHEP-GEL tests=K
request R-2 patient=P-7001 tube=TB260202 type=EDTA tests=CBC
09:05Z take TB260201 TB260202 from=WARD-N by=oskar at=VAN on=H-07
expect answer recorded
expect TB260201 facts Collected=0
10:20Z receive TB260201 TB260202 by=lena at=LAB on=H-01
10:20Z expect TB260201/K cannot-say reason=no-collection-time
10:20Z expect TB260202/CBC cannot-say reason=no-collection-time
10:20Z expect TB260201 rack spin
# the tube is at least as old as its first scan: 240 min are proven at 13:05Z, and more after it
13:05Z expect TB260201/K cannot-say
13:06Z expect TB260201/K past-limit
13:06Z expect TB260202/CBC cannot-say reason=no-collection-time
