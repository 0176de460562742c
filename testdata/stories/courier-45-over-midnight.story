# Common practice, no source
story "the night round"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-46 kind=box
request R-1 patient=P-7001 tube=TB261073 type=LIHEP-GEL tests=K
2026-11-24T23:20Z collect TB261073 by=mira at=WARD-N on=H-09
2026-11-24T23:25Z pack TB261073 in=B-46 by=mira at=WARD-N on=H-09
2026-11-24T23:50Z release B-46 to=oskar by=mira at=WARD-N on=H-09
2026-11-25T00:00Z expect B-46 doubt none
2026-11-25T00:04Z take B-46 from=mira by=oskar at=VAN on=H-07
2026-11-25T00:30Z expect B-46 doubt none
2026-11-25T00:40Z receive B-46 from=oskar by=lena at=LAB on=H-01
2026-11-25T00:40Z expect TB261073/K within-limits used=80m
2026-11-25T00:40Z expect TB261073 doubt none
2026-11-25T00:40Z expect B-46 facts DoubtRaised=0
