# contracts section 2: the example of the grammar
story "warm van, late phone, one label for the wrong patient"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N  assumed=20..24C
place LAB     assumed=20..24C
carrier B-3   kind=box
logger LG-1   every=5m in=B-3
device H-07   error=+5h
request R-1   patient=P-7001 tube=TB260301 type=LIHEP-GEL tests=K,GLU
request R-2   patient=P-7002 tube=TB260310 type=CITRATE tests=FVIII
08:00Z collect TB260301 by=mira at=WARD-N on=H-09
08:00Z pack TB260301 in=B-3 by=mira
08:00Z reading LG-1 08:00Z..09:40Z c=21.0
08:05Z wristband P-7001 on=H-09
08:06Z collect TB260310 by=mira at=WARD-N on=H-09
expect answer refused identity-mismatch
expect TB260310 facts Collected=0
09:10Z take B-3 from=mira by=oskar on=H-07 sent=10:25Z
09:35Z receive TB260301 by=lena at=LAB
09:35Z expect TB260301/GLU past-limit reason=time used=95m limit=60m
09:35Z expect TB260301/K within-limits used=95m
09:35Z expect TB260301 rack spin-hold
09:36Z expect TB260301 doubt leg-not-reported
10:25Z expect TB260301 doubt none
