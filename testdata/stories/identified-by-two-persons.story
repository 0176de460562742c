# Identification by two persons, where the place says so: common practice before transfusion, no source.
story "two persons identify before a crossmatch"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place THEATRE kind=ward assumed=20..24C second-person=yes identify=band,temporary
place WARD-N  kind=ward assumed=20..24C
request R-1 patient=P-7001 tube=TB260108 type=EDTA tests=CBC
08:00Z wristband P-7001 on=H-09 by=mira at=THEATRE
expect answer refused second-identifier-wanted
08:01Z wristband P-7001 on=H-09 by=mira with=mira at=THEATRE
expect answer refused second-identifier-wanted
08:02Z wristband P-7001 on=H-09 by=mira with=lena at=THEATRE
expect answer recorded
08:03Z collect TB260108 by=mira at=THEATRE on=H-09 lot=K7Q2 expiry=2027-01-31
expect answer recorded
expect TB260108 facts Collected=1
# Elsewhere one person is enough.
08:10Z wristband P-7001 on=H-10 by=mira at=WARD-N
expect answer recorded
# What happened is a fact, whatever the place wants.
09:00Z wristband P-7001 on=H-11 by=mira at=THEATRE sent=10:00Z
10:01Z expect count DrawStarted=3
