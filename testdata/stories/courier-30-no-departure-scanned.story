# Common practice, no source
story "taken over five minutes after the ferry's time"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place ISLE   kind=clinic    assumed=20..24C
place QUAY   kind=hatch     assumed=15..24C
# 10:00 and 14:00 in Berlin are 09:00Z and 13:00Z
route F-1 from=ISLE to=QUAY departs=10:00,14:00 takes=60m
carrier B-30 kind=box
carrier B-31 kind=box
request R-1 patient=P-7001 tube=TB261049,TB261050 type=EDTA tests=CBC
08:40Z collect TB261049 TB261050 by=mira at=ISLE on=H-09
08:45Z pack TB261049 in=B-30 by=mira at=ISLE on=H-09
08:45Z pack TB261050 in=B-31 by=mira at=ISLE on=H-09
# the boat is still at the pier
09:05Z take B-30 from=mira by=oskar at=ISLE on=H-07
# too late for this one
09:15Z take B-31 from=mira by=lena at=ISLE on=H-08
10:14Z expect B-30 doubt none
10:16Z expect B-30 doubt late
10:20Z receive B-30 from=oskar by=mira at=QUAY on=H-09
10:20Z expect B-30 doubt none
10:30Z expect B-31 doubt none
14:14Z expect B-31 doubt none
14:16Z expect B-31 doubt late
