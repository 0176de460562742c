# ALR-S2 Flag unseen, tube goes to the centrifuge
# Common practice, no source
story "the last chance before the spin"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place BENCH kind=bench assumed=20..24C
request R-1 patient=P-7001 tube=TB260601 type=LIHEP-GEL tests=GLU
08:50Z collect TB260601 by=mira at=WARD-N on=H-09
09:00Z take TB260601 from=mira by=oskar at=VAN on=H-07
09:30Z receive TB260601 by=lena at=LAB on=H-01
10:00Z expect TB260601/GLU past-limit reason=time used=70m limit=60m
10:00Z expect TB260601 rack nothing-left
10:00Z expect TB260601 flag ask-new-sample kind=before
10:03Z rack TB260601 in=R-2 by=lena at=BENCH on=H-01
expect answer refused nothing-left
expect TB260601 facts Packed=0
10:04Z override TB260601 by=lena at=BENCH on=H-01 reason=doctor-asked
expect answer recorded
expect TB260601 facts FlagOverridden=1
10:05Z rack TB260601 in=R-2 by=lena at=BENCH on=H-01
expect answer recorded
expect TB260601 facts Packed=1
