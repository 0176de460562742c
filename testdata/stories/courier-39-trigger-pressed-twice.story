# Common practice, no source
story "one handover, two presses"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
carrier B-39 kind=box
request R-1 patient=P-7001 tube=TB261065 type=LIHEP-GEL tests=K
08:00Z collect TB261065 by=mira at=WARD-N on=H-09
08:05Z pack TB261065 in=B-39 by=mira at=WARD-N on=H-09
08:10:00Z take B-39 from=mira by=oskar at=VAN on=H-07
08:10:01Z take B-39 from=mira by=oskar at=VAN on=H-07
expect answer repeated
expect B-39 facts TakenOver=1
08:11Z expect B-39 holder oskar
08:11Z expect B-39 doubt none
