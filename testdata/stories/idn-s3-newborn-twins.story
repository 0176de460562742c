# IDN-S3 Newborn twins
# Adelman 2019, https://pmc.ncbi.nlm.nih.gov/articles/PMC6714004
story "two brothers, one digit apart"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7101 tube=TB260139 type=EDTA tests=CBC
request R-2 patient=P-7102 tube=TB260140 type=EDTA tests=CBC
08:00Z wristband P-7101 on=H-09 by=mira at=WARD-N
08:01Z collect TB260140 by=mira at=WARD-N on=H-09
expect answer refused identity-mismatch
expect TB260140 facts Collected=0
expect count IdentityMismatch=1
08:04Z wristband P-7102 on=H-09 by=mira at=WARD-N
08:05Z collect TB260140 by=mira at=WARD-N on=H-09
expect answer recorded
expect TB260140 facts Collected=1
expect TB260140 doubt none
