# EVT-S2 Repeat after the duplicate window
# Measured; https://github.com/nats-io/nats-server/issues/7302
story "stored once, whatever happens in between"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260440 type=LIHEP-GEL tests=K
09:30Z collect TB260440 by=mira at=WARD-N on=H-09
10:00Z see TB260440 by=lena at=LAB on=H-01 id=y-1 sent=10:00Z
expect answer recorded
10:03Z restart
10:00Z see TB260440 by=lena at=LAB on=H-01 id=y-1 sent=10:05Z
expect answer recorded
expect TB260440 facts Seen=1
10:06Z restart
10:07Z expect TB260440 facts Seen=1
10:07Z expect TB260440 facts Collected=1
10:07Z expect TB260440/K within-limits used=37m
