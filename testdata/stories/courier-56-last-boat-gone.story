# Common practice, no source
story "picked up after the last departure"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place ISLE   kind=clinic    assumed=20..24C
place QUAY   kind=hatch     assumed=15..24C
# 14:00 in Berlin is 13:00Z; the next is 10:00, 09:00Z, of the day after
route F-1 from=ISLE to=QUAY departs=10:00,14:00 takes=60m
carrier B-57 kind=box
request R-1 patient=P-7001 tube=TB261086 type=EDTA tests=CBC
2026-11-24T14:00Z collect TB261086 by=mira at=ISLE on=H-09
2026-11-24T14:05Z pack TB261086 in=B-57 by=mira at=ISLE on=H-09
2026-11-24T14:10Z take B-57 from=mira by=oskar at=ISLE on=H-07
2026-11-24T23:00Z expect B-57 doubt none
2026-11-25T10:14Z expect B-57 doubt none
2026-11-25T10:16Z expect B-57 doubt late
2026-11-25T10:30Z receive B-57 from=oskar by=lena at=QUAY on=H-01
2026-11-25T10:30Z expect B-57 doubt none
2026-11-25T10:30Z expect TB261086/CBC within-limits used=1230m
