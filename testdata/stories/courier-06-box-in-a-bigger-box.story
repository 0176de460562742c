# Common practice, no source
story "two boxes travel in one"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-6  kind=box
carrier B-61 kind=box
carrier B-60 kind=box
request R-1 patient=P-7001 tube=TB261007,TB261008,TB261009 type=LIHEP-GEL tests=K
08:00Z collect TB261007 TB261008 TB261009 by=mira at=WARD-N on=H-09
08:05Z pack TB261007 TB261008 in=B-6 by=mira at=WARD-N on=H-09
08:06Z pack TB261009 in=B-61 by=mira at=WARD-N on=H-09
08:10Z pack B-6 B-61 in=B-60 by=mira at=WARD-N on=H-09
expect carrier B-60 holds 3
expect carrier B-6 holds 2
08:20Z take B-60 from=mira by=oskar at=VAN on=H-07
expect TB261007 holder oskar link=by-box
expect B-61 holder oskar
expect B-61 facts TakenOver=0
09:00Z receive B-60 from=oskar by=lena at=LAB on=H-01
09:00Z expect TB261009 holder LAB link=by-box
09:02Z unpack B-6 in=B-60 by=lena at=LAB on=H-01
expect carrier B-60 holds 1
expect carrier B-6 holds 2
09:02Z expect TB261007 holder LAB
09:03Z unpack B-61 in=B-60 by=lena at=LAB on=H-01
expect carrier B-60 holds 0
09:05Z receive TB261007 TB261008 in=B-6 by=lena at=LAB on=H-01
09:05Z receive TB261009 in=B-61 by=lena at=LAB on=H-01
09:06Z empty B-6 B-61 B-60 by=lena at=LAB on=H-01
09:06Z expect TB261007 doubt none
09:06Z expect TB261009 doubt none
09:06Z expect B-60 doubt none
