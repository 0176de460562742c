# Common practice, no source
story "the giver is named once, with the box"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-34 kind=box
request R-1 patient=P-7001 tube=TB261056,TB261057 type=LIHEP-GEL tests=K
08:00Z collect TB261056 TB261057 by=mira at=WARD-N on=H-09
08:05Z pack TB261056 TB261057 in=B-34 by=mira at=WARD-N on=H-09
08:20Z take TB261056 TB261057 by=oskar at=VAN on=H-07
08:21Z take B-34 from=mira by=oskar at=VAN on=H-07
expect answer recorded
08:21Z expect carrier B-34 holds 2
08:21Z expect TB261056 holder oskar
08:21Z expect TB261056 doubt none
08:21Z expect B-34 doubt none
09:00Z receive B-34 from=oskar by=lena at=LAB on=H-01
09:00Z expect TB261057 holder LAB link=by-box
09:00Z expect TB261057 doubt none
