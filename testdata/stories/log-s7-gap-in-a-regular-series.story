# LOG-S7 Gap in a regular series
# Common practice, no source
story "nothing is drawn across a gap"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward
place LAB    kind=reception
carrier B-3 kind=box
logger LG-1 every=5m in=B-3 zone=UTC
request R-1 patient=P-7409 tube=TB260709 type=EDTA tests=CBC
08:00Z collect TB260709 by=mira at=WARD-N
08:00Z pack TB260709 in=B-3 by=mira
12:00Z import log-s7.csv logger=LG-1 by=lena
expect answer recorded
# from 09:10 to 11:40 less the one step for which the last value holds
12:00Z expect TB260709/CBC cannot-say reason=no-temperature measured=95m unknown=145m
