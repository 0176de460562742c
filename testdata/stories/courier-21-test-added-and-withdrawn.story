# Common practice, no source
story "the flag goes with the test and comes with it"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261034 type=LIHEP-GEL tests=K,GLU
08:00Z collect TB261034 by=mira at=WARD-N on=H-09
08:10Z take TB261034 from=mira by=oskar at=VAN on=H-07
09:05Z expect TB261034/GLU past-limit reason=time
09:05Z expect TB261034 flag spin-but-hold
09:10Z withdraw-test R-1 tests=GLU by=lena at=LAB on=H-01
expect answer recorded
09:10Z expect TB261034 flag none
09:10Z expect TB261034/K within-limits used=70m
09:10Z expect TB261034 facts FlagCleared=1
09:20Z add-test R-1 tests=GLU by=lena at=LAB on=H-01
expect answer recorded
09:20Z expect TB261034/GLU past-limit reason=time used=80m
09:20Z expect TB261034 flag spin-but-hold
09:20Z expect TB261034 facts FlagRaised=2
09:20Z expect count TestWithdrawn=1
09:20Z expect count TestAdded=1
