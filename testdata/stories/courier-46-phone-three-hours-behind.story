# Common practice, no source
story "the order of the steps is the true one"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
device H-07 error=-3h
carrier B-47 kind=box
request R-1 patient=P-7001 tube=TB261074 type=LIHEP-GEL tests=K
08:00Z collect TB261074 by=mira at=WARD-N on=H-09
08:05Z pack TB261074 in=B-47 by=mira at=WARD-N on=H-09
# his phone shows 05:10Z
08:10Z take B-47 from=mira by=oskar at=VAN on=H-07 sent=09:30Z
08:40Z receive B-47 by=lena at=LAB on=H-01
08:42Z receive TB261074 in=B-47 by=lena at=LAB on=H-01
09:30Z expect TB261074 doubt none
09:30Z expect B-47 doubt none
09:30Z expect H-07 doubt clock-wrong
09:30Z expect TB261074 holder LAB
