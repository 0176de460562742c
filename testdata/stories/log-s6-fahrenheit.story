# LOG-S6 Fahrenheit, the unit only in the header
# Common practice, no source
story "39.2 F is 4.0 degrees, and a file without a unit is asked"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward
place LAB    kind=reception
carrier B-3 kind=box
logger LG-1 every=5m in=B-3 zone=UTC
carrier B-4 kind=box
logger LG-2 every=5m in=B-4 zone=UTC
request R-1 patient=P-7407 tube=TB260707 type=EDTA tests=CBC
request R-2 patient=P-7408 tube=TB260708 type=EDTA tests=CBC
08:00Z collect TB260707 by=mira at=WARD-N
08:00Z pack TB260707 in=B-3 by=mira
08:00Z collect TB260708 by=mira at=WARD-N
08:00Z pack TB260708 in=B-4 by=mira
# 4.0 to 22.0 degrees; read as Celsius both would lie above the band
08:10Z import log-s6.csv logger=LG-1 by=lena
expect answer recorded
08:10Z expect TB260707/CBC within-limits measured=10m
08:10Z import log-s6-no-unit.csv logger=LG-2 by=lena
expect answer not-saved
08:10Z expect TB260708/CBC cannot-say measured=0m
08:11Z import log-s6-no-unit.csv logger=LG-2 by=lena unit=F
expect answer recorded
08:11Z expect TB260708/CBC cannot-say measured=10m unknown=1m
