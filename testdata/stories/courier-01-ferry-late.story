# Common practice, no source
story "the timetable says an hour, the ferry needs more"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place ISLE   kind=clinic    assumed=20..24C
place QUAY   kind=hatch     assumed=15..24C
# 10:00 in Berlin is 09:00Z
route F-1 from=ISLE to=QUAY departs=10:00 takes=60m
carrier B-1 kind=box
request R-1 patient=P-7001 tube=TB261001 type=LIHEP-GEL tests=K
08:40Z collect TB261001 by=mira at=ISLE on=H-09
08:45Z pack TB261001 in=B-1 by=mira at=ISLE on=H-09
08:55Z take B-1 from=mira by=oskar at=ISLE on=H-07
09:00Z depart B-1 route=F-1 mode=ferry by=oskar at=ISLE on=H-07
expect answer recorded
# due 10:00Z, and a quarter of the hour may pass over it
10:14Z expect B-1 doubt none
10:16Z expect B-1 doubt late
10:16Z expect B-1 facts DoubtRaised=1
# one late box is one doubt, not one for each tube inside
10:16Z expect TB261001 facts DoubtRaised=0
10:16Z expect TB261001 holder oskar link=by-box
10:40Z arrive B-1 by=oskar at=QUAY on=H-07
expect answer recorded
10:40Z expect B-1 doubt none
10:40Z expect B-1 facts DoubtClosed=1
10:40Z expect B-1 holder oskar at=QUAY
