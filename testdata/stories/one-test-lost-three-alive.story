# Design section 7: a flag with a test alive answers spin-hold and does not stop
# Invented scenario; Behan 2013 for glucose, https://clsjournal.ascls.org/content/26/3/158
story "one test of the draw is lost, three are alive"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place BENCH kind=bench assumed=20..24C
carrier B-3 kind=box
logger LG-1 every=5m in=B-3
request R-1 patient=P-7001 tube=TB260901 type=LIHEP-GEL tests=K,GLU
request R-2 patient=P-7001 tube=TB260902 type=CITRATE tests=APTT
request R-3 patient=P-7001 tube=TB260903 type=EDTA tests=CBC
08:00Z wristband P-7001 draw=D-1 on=H-09 by=mira at=WARD-N
08:00Z collect TB260901 TB260902 TB260903 draw=D-1 by=mira at=WARD-N on=H-09
08:00Z pack TB260901 TB260902 TB260903 in=B-3 by=mira at=WARD-N on=H-09
08:00Z reading LG-1 08:00Z..09:20Z c=21.0
08:05Z take B-3 from=mira by=oskar at=VAN on=H-07
09:15Z receive TB260901 TB260902 TB260903 by=lena at=LAB on=H-01
09:15Z expect TB260901/GLU past-limit reason=time used=75m
09:15Z expect TB260901/K within-limits used=75m
09:15Z expect TB260902/APTT within-limits used=75m
09:15Z expect TB260903/CBC within-limits used=75m limit=1440m
09:15Z expect TB260901 flag spin-but-hold kind=before
09:15Z expect TB260902 flag none
09:15Z expect TB260903 flag none
09:15Z expect TB260901 rack spin-hold tests=GLU
09:20Z rack TB260901 in=R-2 by=lena at=BENCH on=H-01
expect answer recorded
expect TB260901 facts Packed=2
09:22Z spin TB260901 by=lena at=BENCH on=H-01 programme=gel-10
expect answer recorded
09:34Z end-spin TB260901 by=lena at=BENCH on=H-01
expect answer recorded
12:30Z expect TB260901/GLU past-limit
12:30Z expect TB260901/K within-limits
12:30Z expect TB260901 facts SpinEnded=1
