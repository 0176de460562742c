# Compound numbers: CLSI AUTO02-A2 speaks of ids unique to one container; one number a request is common practice, no source
story "one number is printed on all tubes of a request"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
scheme RQ pattern=26#### per-type=yes
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
08:00Z collect 260118 type=EDTA patient=P-7001 by=mira at=WARD-N on=H-09
08:01Z collect 260118 type=LIHEP-GEL patient=P-7001 by=mira at=WARD-N on=H-09
expect answer recorded
expect "260118+EDTA" facts Collected=1
expect "260118+LIHEP-GEL" facts Collected=1
09:00Z receive 260118 by=lena at=LAB on=H-01
expect answer refused second-identifier-wanted
09:01Z receive 260118 type=EDTA by=lena at=LAB on=H-01
expect answer recorded
expect "260118+EDTA" holder LAB
expect "260118+LIHEP-GEL" facts Received=0
