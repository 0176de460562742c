# Common practice, no source
story "sent through the pipe to the laboratory"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261075 type=LIHEP-GEL tests=K
08:00Z collect TB261075 by=mira at=WARD-N on=H-09
08:05Z release TB261075 to=LAB mode=pneumatic-tube by=mira at=WARD-N on=H-09
expect answer recorded
08:05Z expect TB261075 holder LAB
08:07Z receive TB261075 by=lena at=LAB on=H-01
08:07Z expect TB261075 holder LAB at=LAB
08:07Z expect TB261075 doubt none
08:07Z expect TB261075 facts DoubtRaised=0
