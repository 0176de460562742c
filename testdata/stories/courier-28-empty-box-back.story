# Common practice, no source
story "the box goes home, its tubes don't"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-28 kind=box
request R-1 patient=P-7001 tube=TB261045 type=LIHEP-GEL tests=K
request R-2 patient=P-7002 tube=TB261046 type=LIHEP-GEL tests=K
08:00Z collect TB261045 by=mira at=WARD-N on=H-09
08:05Z pack TB261045 in=B-28 by=mira at=WARD-N on=H-09
08:10Z take B-28 from=mira by=oskar at=VAN on=H-07
08:40Z receive B-28 from=oskar by=lena at=LAB on=H-01
08:42Z receive TB261045 in=B-28 by=lena at=LAB on=H-01
08:45Z empty B-28 by=lena at=LAB on=H-01
09:00Z take B-28 from=lena by=oskar at=LAB on=H-07
09:30Z take B-28 from=oskar by=mira at=WARD-N on=H-09
09:30Z expect B-28 holder mira at=WARD-N
09:30Z expect B-28 doubt none
09:30Z expect carrier B-28 holds 0
09:30Z expect TB261045 holder LAB at=LAB link=direct
09:30Z expect TB261045 doubt none
# its next round
09:40Z collect TB261046 by=mira at=WARD-N on=H-09
09:41Z pack TB261046 in=B-28 by=mira at=WARD-N on=H-09
09:50Z take B-28 from=mira by=oskar at=VAN on=H-07
09:50Z expect carrier B-28 holds 1
09:50Z expect TB261046 holder oskar link=by-box
09:50Z expect TB261045 holder LAB
