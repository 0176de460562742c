# Common practice, no source
story "a tube in the courier's pocket is awaited as a box is"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place ISLE   kind=clinic    assumed=20..24C
place QUAY   kind=hatch     assumed=15..24C
route F-1 from=ISLE to=QUAY departs=10:00 takes=20m
request R-1 patient=P-7001 tube=TB261084 type=LIHEP-GEL tests=K
08:40Z collect TB261084 by=mira at=ISLE on=H-09
08:55Z take TB261084 from=mira by=oskar at=ISLE on=H-07
# 20 min, and a quarter of an hour at the least
09:34Z expect TB261084 doubt none
09:36Z expect TB261084 doubt late
09:36Z expect TB261084 facts DoubtRaised=1
09:40Z see TB261084 by=lena at=QUAY on=H-08
09:40Z expect TB261084 doubt none
09:40Z expect TB261084 facts DoubtClosed=1
