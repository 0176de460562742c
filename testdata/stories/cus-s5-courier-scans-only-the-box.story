# CUS-S5 Courier scans only the box
# Common practice, no source
story "tubes in a bag in a box, one of them not"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier BG-51 kind=bag
carrier B-4 kind=box
request R-1 patient=P-7001 tube=TB260413 type=LIHEP-GEL tests=K
request R-2 patient=P-7002 tube=TB260414 type=LIHEP-GEL tests=K
08:40Z collect TB260413 by=mira at=WARD-N on=H-09
08:42Z collect TB260414 by=mira at=WARD-N on=H-09
08:45Z pack TB260413 TB260414 in=BG-51 by=mira at=WARD-N on=H-09
08:46Z pack BG-51 in=B-4 by=mira at=WARD-N on=H-09
expect carrier BG-51 holds 2
expect TB260413 holder mira
09:00Z take B-4 from=mira by=oskar at=VAN on=H-07
expect TB260413 holder oskar link=by-box
expect TB260414 holder oskar link=by-box
expect TB260413 facts TakenOver=0
expect B-4 facts TakenOver=1
09:40Z see TB260414 by=mira at=WARD-N on=H-09
expect answer recorded
09:40Z expect TB260414 doubt not-in-carrier
09:40Z expect TB260413 doubt none
09:40Z expect TB260413 holder oskar link=by-box
09:40Z expect carrier BG-51 holds 1
