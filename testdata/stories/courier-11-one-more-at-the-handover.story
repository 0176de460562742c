# Common practice, no source
story "two scanned into the box, three counted"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-13 kind=box
request R-1 patient=P-7001 tube=TB261019,TB261020,TB261021 type=LIHEP-GEL tests=K
08:00Z collect TB261019 TB261020 TB261021 by=mira at=WARD-N on=H-09
08:05Z pack TB261019 TB261020 in=B-13 by=mira at=WARD-N on=H-09
08:06Z pack TB261021 in=B-13 by=mira at=WARD-N on=H-10 sent=08:50Z
08:20Z take B-13 from=mira by=oskar at=VAN on=H-07 count=3
expect answer recorded
08:20Z expect B-13 doubt extra
08:20Z expect carrier B-13 holds 2
08:50Z expect B-13 doubt none
08:50Z expect carrier B-13 holds 3
08:50Z expect TB261021 holder oskar link=by-box
09:10Z receive B-13 from=oskar by=lena at=LAB on=H-01 count=3
09:10Z expect B-13 doubt none
09:10Z expect B-13 facts DoubtRaised=1
