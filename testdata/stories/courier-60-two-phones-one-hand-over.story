# Common practice, no source
story "courier and desk both scan the hand-over"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-62 kind=box
request R-1 patient=P-7001 tube=TB261091 type=LIHEP-GEL tests=K
08:00Z collect TB261091 by=mira at=WARD-N on=H-09
08:05Z pack TB261091 in=B-62 by=mira at=WARD-N on=H-09
08:10Z release B-62 to=oskar by=mira at=WARD-N on=H-09
08:11Z take B-62 from=mira by=oskar at=WARD-N on=H-07
08:40Z arrive B-62 by=oskar at=LAB on=H-07
08:41Z release B-62 to=LAB by=oskar at=LAB on=H-07
08:42Z receive B-62 from=oskar by=lena at=LAB on=H-01
expect answer recorded
08:42Z expect B-62 holder LAB
09:30Z expect B-62 doubt none
09:30Z expect B-62 facts DoubtRaised=0
