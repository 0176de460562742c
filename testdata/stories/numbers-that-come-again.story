# Number schemes with a reuse period: common practice, no source
story "a number that comes again after its time is another tube"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
scheme SH pattern=S### reuse=24h
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
2026-11-22T08:00Z collect S117 type=EDTA patient=P-7001 by=mira at=WARD-N on=H-09
2026-11-22T09:00Z receive S117 by=lena at=LAB on=H-01
2026-11-24T08:00Z collect S117 type=LIHEP-GEL patient=P-7002 by=mira at=WARD-N on=H-09
expect answer recorded
expect "S117~1" facts Collected=1
expect "S117~1" doubt none
2026-11-24T09:00Z receive S117 by=lena at=LAB on=H-01
expect "S117~1" facts Received=1
# what a phone tells late belongs to the tube of that day
2026-11-22T10:00Z see S117 by=lena at=LAB on=H-07 sent=2026-11-24T11:00Z
expect count Seen=1
expect "S117~1" facts Seen=0
