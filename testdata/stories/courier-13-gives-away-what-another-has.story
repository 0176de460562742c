# Common practice, no source
story "two couriers both got it from the ward"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
person lena role=courier
carrier B-15 kind=box
request R-1 patient=P-7001 tube=TB261023 type=LIHEP-GEL tests=K
08:00Z collect TB261023 by=mira at=WARD-N on=H-09
08:05Z pack TB261023 in=B-15 by=mira at=WARD-N on=H-09
08:20Z take B-15 from=mira by=oskar at=VAN on=H-07
08:40Z take B-15 from=mira by=lena at=WARD-N on=H-08
expect answer recorded
08:40Z expect B-15 doubt overlap
08:40Z expect B-15 facts TakenOver=2
# oskar had given it back, and his phone tells it later
08:30Z release B-15 to=mira by=oskar at=WARD-N on=H-07 sent=09:10Z
08:31Z take B-15 from=oskar by=mira at=WARD-N on=H-09 sent=09:10Z
09:10Z expect B-15 doubt none
09:10Z expect B-15 holder lena
09:10Z expect TB261023 holder lena link=by-box
