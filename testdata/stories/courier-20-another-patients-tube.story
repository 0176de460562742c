# Common practice, no source
story "the tube was drawn from the neighbour"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261033 type=LIHEP-GEL tests=K
request R-2 patient=P-7002 type=LIHEP-GEL tests=K,GLU
08:00Z collect TB261033 by=mira at=WARD-N on=H-09 patient=P-7001
08:10Z take TB261033 from=mira by=oskar at=VAN on=H-07
08:40Z receive TB261033 from=oskar by=lena at=LAB on=H-01
08:50Z reidentify TB261033 patient=P-7002 request=R-2 by=lena with=mira at=LAB on=H-01 reason=drawn-from-the-neighbour
expect answer recorded
# both versions stay
08:50Z expect TB261033 facts Collected=1
08:50Z expect TB261033 facts Reidentified=1
08:50Z expect TB261033 doubt none
08:50Z expect TB261033/K within-limits used=50m
08:50Z expect TB261033 holder LAB
