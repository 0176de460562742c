# Common practice, no source
story "the courier scans the tubes and then the box they are in"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-29 kind=box
request R-1 patient=P-7001 tube=TB261047,TB261048 type=LIHEP-GEL tests=K
08:00Z collect TB261047 TB261048 by=mira at=WARD-N on=H-09
08:05Z pack TB261047 TB261048 in=B-29 by=mira at=WARD-N on=H-09
08:20Z take TB261047 TB261048 from=mira by=oskar at=VAN on=H-07
08:21Z take B-29 from=mira by=oskar at=VAN on=H-07
expect answer recorded
08:21Z expect carrier B-29 holds 2
08:21Z expect TB261047 holder oskar
08:21Z expect TB261047 doubt none
08:21Z expect B-29 doubt none
09:00Z receive B-29 from=oskar by=lena at=LAB on=H-01
09:00Z expect TB261048 holder LAB link=by-box
09:00Z expect TB261048 doubt none
