# OFF-S2 Answer lost, retry much later
# https://github.com/nats-io/nats-server/issues/7302
story "the phone never heard"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260420 type=LIHEP-GEL tests=K
09:30Z collect TB260420 by=mira at=WARD-N on=H-09
10:00Z take TB260420 from=mira by=oskar at=VAN on=H-07 id=e-77 sent=10:00Z
expect answer recorded
10:00Z take TB260420 from=mira by=oskar at=VAN on=H-07 id=e-77 sent=10:11Z
expect answer recorded
expect TB260420 facts TakenOver=1
10:11Z expect TB260420 holder oskar
10:11Z expect TB260420 doubt none
