# Common practice, no source
story "one person on both sides"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
carrier B-14 kind=box
request R-1 patient=P-7001 tube=TB261022 type=LIHEP-GEL tests=K
08:00Z collect TB261022 by=mira at=WARD-N on=H-09
08:05Z pack TB261022 in=B-14 by=mira at=WARD-N on=H-09
08:20Z take B-14 from=oskar by=oskar at=VAN on=H-07
expect answer refused same-party
expect B-14 facts TakenOver=0
08:21Z release B-14 to=mira by=mira at=WARD-N on=H-09
expect answer refused same-party
expect B-14 facts Released=0
expect TB261022 holder mira
08:25Z take B-14 from=mira by=oskar at=VAN on=H-07
expect answer recorded
08:25Z expect B-14 holder oskar
08:25Z expect B-14 doubt none
