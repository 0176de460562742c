# IDN-S2 Wristband and label disagree
# Ning 2016, https://pmc.ncbi.nlm.nih.gov/articles/PMC4975414
story "the label belongs to the next bed"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260108 type=LIHEP-GEL tests=K
request R-2 patient=P-7002 tube=TB260109 type=LIHEP-GEL tests=K
08:00Z wristband P-7001 on=H-09 by=mira at=WARD-N
expect answer recorded
08:01Z collect TB260109 by=mira at=WARD-N on=H-09
expect answer refused identity-mismatch
expect TB260109 facts Collected=0
expect count IdentityMismatch=1
expect count Collected=0
08:02Z collect TB260108 by=mira at=WARD-N on=H-09
expect answer recorded
expect TB260108 facts Collected=1
expect TB260108 holder mira
