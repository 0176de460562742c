# Common practice, no source
story "meant for one courier, fetched by the other"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place YARD   kind=hatch     assumed=10..25C
person oskar role=courier
person lena  role=courier
carrier B-63 kind=box
request R-1 patient=P-7001 tube=TB261092 type=LIHEP-GEL tests=K
08:00Z collect TB261092 by=mira at=WARD-N on=H-09
08:05Z pack TB261092 in=B-63 by=mira at=WARD-N on=H-09
08:10Z release B-63 to=oskar by=mira at=WARD-N on=H-09
08:20Z take B-63 from=mira by=lena at=WARD-N on=H-08
expect answer recorded
# both sides are named, and who has it has it
08:40Z expect B-63 holder lena
08:40Z expect B-63 doubt none
