# Common practice, no source
story "one of two boxes changes the van"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place YARD   kind=hatch     assumed=10..25C
carrier B-54 kind=box
carrier B-55 kind=box
person oskar role=courier
person lena  role=courier
request R-1 patient=P-7001 tube=TB261083 type=LIHEP-GEL tests=K
08:00Z collect TB261083 by=mira at=WARD-N on=H-09
08:05Z pack TB261083 in=B-54 by=mira at=WARD-N on=H-09
08:06Z pack B-54 in=B-55 by=mira at=WARD-N on=H-09
08:10Z take B-55 from=mira by=oskar at=VAN on=H-07
08:10Z expect TB261083 holder oskar
08:30Z take B-54 from=oskar by=lena at=YARD on=H-08
expect answer recorded
08:30Z expect B-54 doubt none
08:30Z expect B-54 holder lena
08:30Z expect TB261083 holder lena link=by-box
expect carrier B-55 holds 0
expect carrier B-54 holds 1
# the big one goes on without it
08:50Z receive B-55 from=oskar by=mira at=LAB on=H-01
08:50Z expect TB261083 holder lena
08:50Z expect TB261083 doubt none
