# LOG-S5 Sensor fault values: 85.0 and -127.0 mean "no reading"
# https://github.com/timofurrer/w1thermsensor/issues/46
story "fault codes are no heat and no frost"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward
place LAB    kind=reception
carrier B-3 kind=box
logger LG-1 every=5m hold=0m in=B-3 zone=UTC
request R-1 patient=P-7406 tube=TB260706 type=EDTA tests=CBC
08:00Z collect TB260706 by=mira at=WARD-N
08:00Z pack TB260706 in=B-3 by=mira
08:20Z import log-s5.csv logger=LG-1 by=lena
expect answer recorded
# only 08:05 to 08:10 is measured; the minutes beside the faults are unknown, not hot and not frozen
08:20Z expect TB260706/CBC cannot-say reason=no-temperature measured=5m unknown=15m
