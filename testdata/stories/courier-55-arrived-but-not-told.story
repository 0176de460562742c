# Common practice, no source
story "in time by the phone, late by the network"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place ISLE   kind=clinic    assumed=20..24C
place QUAY   kind=hatch     assumed=15..24C
route F-1 from=ISLE to=QUAY departs=10:00 takes=60m
carrier B-56 kind=box
request R-1 patient=P-7001 tube=TB261085 type=LIHEP-GEL tests=K
08:40Z collect TB261085 by=mira at=ISLE on=H-09
08:45Z pack TB261085 in=B-56 by=mira at=ISLE on=H-09
08:55Z take B-56 from=mira by=oskar at=ISLE on=H-07
09:00Z depart B-56 route=F-1 mode=ferry by=oskar at=ISLE on=H-07
10:05Z arrive B-56 by=oskar at=QUAY on=H-07 sent=11:00Z
10:16Z expect B-56 doubt late
11:00Z expect B-56 doubt none
11:00Z expect B-56 holder oskar at=QUAY
