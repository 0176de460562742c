# Common practice, no source
story "two couriers in a row"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place YARD   kind=hatch     assumed=10..25C
place LAB    kind=reception assumed=20..24C
person oskar role=courier
person lena role=courier
carrier B-3 kind=box
request R-1 patient=P-7001 tube=TB261003 type=LIHEP-GEL tests=K
08:40Z collect TB261003 by=mira at=WARD-N on=H-09
08:45Z pack TB261003 in=B-3 by=mira at=WARD-N on=H-09
09:00Z take B-3 from=mira by=oskar at=WARD-N on=H-07
09:00Z expect TB261003 holder oskar
# both sides are named by the one who takes
09:30Z take B-3 from=oskar by=lena at=YARD on=H-08
expect answer recorded
09:30Z expect B-3 holder lena at=YARD
09:30Z expect TB261003 holder lena link=by-box
09:50Z expect B-3 doubt none
10:10Z receive B-3 from=lena by=mira at=LAB on=H-01
10:10Z expect B-3 holder LAB
10:10Z expect B-3 doubt none
10:10Z expect B-3 facts TakenOver=3
10:12Z receive TB261003 in=B-3 by=mira at=LAB on=H-01
10:12Z expect TB261003 holder LAB link=direct
10:12Z expect TB261003 doubt none
10:12Z expect TB261003 facts TakenOver=0
