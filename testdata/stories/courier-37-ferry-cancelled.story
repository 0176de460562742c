# Common practice, no source
story "picked up for the ferry and brought back"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place ISLE   kind=clinic    assumed=20..24C
place QUAY   kind=hatch     assumed=15..24C
route F-1 from=ISLE to=QUAY departs=10:00 takes=60m
carrier B-37 kind=box
request R-1 patient=P-7001 tube=TB261062 type=LIHEP-GEL tests=K
08:40Z collect TB261062 by=mira at=ISLE on=H-09
08:45Z pack TB261062 in=B-37 by=mira at=ISLE on=H-09
08:50Z take B-37 from=mira by=oskar at=ISLE on=H-07
09:10Z release B-37 to=ISLE by=oskar at=ISLE on=H-07
09:10Z expect B-37 holder ISLE at=ISLE
# it lies where it is: nothing is on its way
10:30Z expect B-37 doubt none
10:30Z expect TB261062 holder ISLE link=by-box
