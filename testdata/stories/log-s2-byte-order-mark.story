# LOG-S2 Byte-order mark on the first header
# https://github.com/dotCMS/core/issues/36508
story "a byte-order mark hides no column"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-20
place WARD-N kind=ward
place LAB    kind=reception
carrier B-3 kind=box
logger LG-1 every=5m in=B-3 zone=UTC
request R-1 patient=P-7402 tube=TB260702 type=EDTA tests=CBC
08:00Z collect TB260702 by=mira at=WARD-N
08:00Z pack TB260702 in=B-3 by=mira
08:10Z import log-s2.csv logger=LG-1 by=lena
expect answer recorded
08:10Z expect TB260702/CBC within-limits measured=10m unknown=0m
