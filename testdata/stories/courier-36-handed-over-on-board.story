# Common practice, no source
story "two couriers on one ferry"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place ISLE   kind=clinic    assumed=20..24C
place QUAY   kind=hatch     assumed=15..24C
place FERRY  kind=vehicle   assumed=18..25C
# 10:00 in Berlin is 09:00Z
route F-1 from=ISLE to=QUAY departs=10:00 takes=60m
carrier B-36 kind=box
person lena role=courier
request R-1 patient=P-7001 tube=TB261061 type=LIHEP-GEL tests=K
08:40Z collect TB261061 by=mira at=ISLE on=H-09
08:45Z pack TB261061 in=B-36 by=mira at=ISLE on=H-09
08:50Z take B-36 from=mira by=oskar at=ISLE on=H-07
09:00Z depart B-36 route=F-1 mode=ferry by=oskar at=ISLE on=H-07
09:30Z take B-36 from=oskar by=lena at=FERRY on=H-08
expect answer recorded
09:30Z expect B-36 holder lena
# it is the same boat
10:14Z expect B-36 doubt none
10:16Z expect B-36 doubt late
10:30Z arrive B-36 by=lena at=QUAY on=H-08
10:30Z expect B-36 doubt none
