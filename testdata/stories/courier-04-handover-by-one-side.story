# Common practice, no source
story "given up at nine, the other phone tells it an hour later"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place YARD   kind=hatch     assumed=10..25C
person oskar role=courier
person lena role=courier
carrier B-4 kind=box
request R-1 patient=P-7001 tube=TB261004 type=LIHEP-GEL tests=K
08:30Z collect TB261004 by=mira at=WARD-N on=H-09
08:32Z pack TB261004 in=B-4 by=mira at=WARD-N on=H-09
08:40Z take B-4 from=mira by=oskar at=WARD-N on=H-07
09:00Z release B-4 to=lena by=oskar at=YARD on=H-07
expect answer recorded
09:05Z take B-4 from=oskar by=lena at=YARD on=H-08 sent=10:00Z
# a quarter of an hour is time enough for the other scan
09:14Z expect B-4 doubt none
09:16Z expect B-4 doubt one-sided-handoff
09:16Z expect B-4 facts DoubtRaised=1
# one handover is one doubt, not one for each tube inside
09:16Z expect TB261004 facts DoubtRaised=0
10:00Z expect B-4 doubt none
10:00Z expect B-4 facts DoubtClosed=1
10:00Z expect B-4 holder lena
10:00Z expect TB261004 holder lena link=by-box
