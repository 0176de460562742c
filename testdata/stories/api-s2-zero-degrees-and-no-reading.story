# API-S2 Zero degrees versus no reading
# https://github.com/golang/protobuf/issues/115
story "nought is a temperature, a fault is none"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward
place LAB    kind=reception
carrier B-1 kind=box
carrier B-2 kind=box
logger LG-1 every=5m in=B-1
logger LG-2 every=5m in=B-2
request R-1 patient=P-7001 tube=TB260701 type=EDTA tests=CBC
request R-2 patient=P-7002 tube=TB260702 type=EDTA tests=CBC
08:00Z collect TB260701 by=mira at=WARD-N on=H-09
08:00Z pack TB260701 in=B-1 by=mira at=WARD-N on=H-09
08:00Z collect TB260702 by=oskar at=WARD-N on=H-07
08:00Z pack TB260702 in=B-2 by=oskar at=WARD-N on=H-07
08:00Z reading LG-1 08:00Z..09:00Z c=0.0
08:00Z reading LG-2 08:00Z..09:00Z c=fault
# between 0 and 2 degrees nothing was said of the blood count, and nothing froze
09:00Z expect TB260701/CBC cannot-say below=60m measured=60m unknown=0m
09:00Z expect TB260702/CBC cannot-say reason=no-temperature measured=0m unknown=60m
