# Common practice, no source
story "the label is torn, the tube gets a new number out of its box"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-38 kind=box
request R-1 patient=P-7001 tube=TB261063 type=LIHEP-GEL tests=K
08:00Z collect TB261063 by=mira at=WARD-N on=H-09
08:05Z pack TB261063 in=B-38 by=mira at=WARD-N on=H-09
08:10Z take B-38 from=mira by=oskar at=VAN on=H-07
08:40Z receive B-38 from=oskar by=lena at=LAB on=H-01
08:42Z relabel TB261063 as=TB261064 by=lena at=LAB on=H-01 reason=label-torn
expect answer recorded
08:45Z empty B-38 by=lena at=LAB on=H-01
# the same blood was in hand under its new number
08:45Z expect TB261063 doubt none
08:45Z expect TB261064 doubt none
08:45Z expect TB261064/K within-limits used=45m from=08:00Z
08:45Z expect TB261064 holder LAB
08:45Z expect TB261063 holder LAB replaced-by=TB261064
