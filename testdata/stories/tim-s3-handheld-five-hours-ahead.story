# TIM-S3 Handheld five hours ahead
# https://github.com/pingdotgg/t3code/issues/3983
story "a phone that is five hours ahead"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
device H-07 error=+5h
request R-1 patient=P-7001 tube=TB260204 type=LIHEP-GEL tests=K
# the phone says 15:05Z
10:05Z collect TB260204 by=mira at=WARD-N on=H-07
expect answer recorded
10:05Z expect TB260204/K within-limits used=0m from=10:05Z
10:10Z take TB260204 from=mira by=oskar at=VAN on=H-09
10:20Z receive TB260204 by=lena at=LAB on=H-01
10:20Z expect TB260204/K within-limits used=15m
10:20Z expect H-07 doubt clock-wrong
10:20Z expect TB260204 doubt none
10:20Z expect TB260204 facts Collected=1
