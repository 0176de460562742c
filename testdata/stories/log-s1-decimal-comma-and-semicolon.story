# LOG-S1 Decimal comma and semicolon, as Central European programs export
# https://github.com/asafdav/ng-csv/issues/28 , https://github.com/remcostoeten/dora/pull/232
story "a file with decimal commas is read as it stands"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-20
place WARD-N kind=ward
place LAB    kind=reception
carrier B-3 kind=box
logger LG-1 every=5m in=B-3 zone=UTC
request R-1 patient=P-7401 tube=TB260701 type=EDTA tests=CBC
08:00Z collect TB260701 by=mira at=WARD-N
08:00Z pack TB260701 in=B-3 by=mira
08:09Z expect TB260701/CBC cannot-say reason=no-temperature unknown=9m
08:10Z import log-s1.csv logger=LG-1 by=lena
expect answer recorded
# two readings and the hold of one interval; 4.6 and 4.9 lie in the band of the blood count, 46 and 49 would not
08:10Z expect TB260701/CBC within-limits measured=10m unknown=0m
08:11Z expect count LoggerFileImported=1
# the very file again stores nothing
08:12Z import log-s1.csv logger=LG-1 by=lena
expect answer repeated
08:12Z expect count LoggerFileImported=1
