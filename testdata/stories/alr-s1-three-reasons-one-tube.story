# ALR-S1 Three reasons, one tube
# Ancker 2017, https://link.springer.com/doi/10.1186/s12911-017-0430-8
story "one flag per tube, updated in place"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-3 kind=box
carrier B-5 kind=box
logger LG-1 every=5m in=B-3
logger LG-3 every=5m in=B-5
request R-1 patient=P-7001 tube=TB260501,TB260502 type=LIHEP-GEL,EDTA
tube TB260501 request=R-1 type=LIHEP-GEL tests=K,GLU
tube TB260502 request=R-1 type=EDTA tests=CBC
08:00Z wristband P-7001 draw=D-1 on=H-09 by=mira at=WARD-N
08:00Z collect TB260501 TB260502 draw=D-1 by=mira at=WARD-N on=H-09
08:00Z pack TB260501 in=B-3 by=mira at=WARD-N on=H-09
08:00Z pack TB260502 in=B-5 by=mira at=WARD-N on=H-09
08:00Z reading LG-1 08:00Z..09:05Z c=21.0
08:00Z reading LG-3 08:00Z..09:30Z c=21.0
08:30Z expect TB260501 flag none
# 80 percent of the glucose limit
08:50Z expect TB260501/GLU running-out
08:50Z expect TB260501/GLU within-limits used=50m
08:50Z expect TB260501 facts FlagRaised=1
09:02Z expect TB260501/GLU past-limit reason=time
09:02Z expect TB260501 flag spin-but-hold
09:05:01Z reading LG-1 09:05:01Z..09:30Z c=31.0
09:30Z expect TB260501/K past-limit reason=heat direction=low
09:30Z expect TB260501/GLU past-limit
09:30Z expect TB260501 flag ask-new-sample kind=before
09:30Z expect TB260501 facts FlagRaised=1
09:30Z expect TB260501 facts FlagCleared=0
09:30Z expect TB260502/CBC within-limits used=90m reason=none
09:30Z expect TB260502 flag none
09:30Z expect TB260502 facts FlagRaised=0
