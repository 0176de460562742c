# Common practice, no source
story "the ward leaves a box at the hatch, the courier picks it up later"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place HATCH  kind=hatch     assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-2 kind=box
request R-1 patient=P-7001 tube=TB261002 type=LIHEP-GEL tests=K
08:40Z collect TB261002 by=mira at=WARD-N on=H-09
08:45Z pack TB261002 in=B-2 by=mira at=WARD-N on=H-09
09:00Z release B-2 to=HATCH by=mira at=HATCH on=H-09
expect answer recorded
09:00Z expect B-2 holder HATCH at=HATCH
09:00Z expect TB261002 holder HATCH link=by-box
# nobody has to be there: the hatch answers for it
09:50Z expect B-2 doubt none
09:50Z expect TB261002 doubt none
10:05Z take B-2 by=oskar at=HATCH on=H-07
expect answer recorded
10:05Z expect B-2 holder oskar
10:05Z expect TB261002 holder oskar link=by-box
10:05Z expect B-2 doubt none
10:40Z receive B-2 from=oskar by=lena at=LAB on=H-01
10:40Z expect B-2 doubt none
10:40Z expect TB261002 holder LAB link=by-box
10:40Z expect TB261002 doubt none
