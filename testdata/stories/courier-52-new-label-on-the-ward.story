# Common practice, no source
story "the label is torn at the bedside, the box counts one tube"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-53 kind=box
request R-1 patient=P-7001 tube=TB261081 type=LIHEP-GEL tests=K
08:00Z collect TB261081 by=mira at=WARD-N on=H-09
08:05Z pack TB261081 in=B-53 by=mira at=WARD-N on=H-09
08:06Z relabel TB261081 as=TB261082 by=mira at=WARD-N on=H-09 reason=label-torn
expect carrier B-53 holds 1
08:07Z pack TB261082 in=B-53 by=mira at=WARD-N on=H-09
expect carrier B-53 holds 1
08:10Z take B-53 from=mira by=oskar at=VAN on=H-07 count=1
08:10Z expect B-53 doubt none
08:40Z receive B-53 from=oskar by=lena at=LAB on=H-01
08:41Z receive TB261082 in=B-53 by=lena at=LAB on=H-01
expect carrier B-53 holds 0
08:42Z empty B-53 by=lena at=LAB on=H-01
08:42Z expect TB261081 doubt none
08:42Z expect TB261082 doubt none
08:42Z expect TB261082 holder LAB
