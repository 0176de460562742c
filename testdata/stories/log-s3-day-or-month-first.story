# LOG-S3 Day or month first, all values 12 or below
# https://github.com/wireservice/csvkit/issues/280 , https://github.com/nyblnet/bento/pull/230
story "a date that may mean two days stops the import and is asked"
rules fixture.yaml
zone Europe/Berlin
day 2026-04-03
place WARD-N kind=ward
place LAB    kind=reception
carrier B-3 kind=box
logger LG-1 every=60m in=B-3 zone=UTC
request R-1 patient=P-7403 tube=TB260703 type=EDTA tests=CBC
08:00Z collect TB260703 by=mira at=WARD-N
08:00Z pack TB260703 in=B-3 by=mira
12:00Z import log-s3.csv logger=LG-1 by=lena
expect answer not-saved
12:00Z expect TB260703/CBC cannot-say reason=no-temperature measured=0m
12:01Z expect count LoggerFileImported=0
12:02Z import log-s3.csv logger=LG-1 by=lena order=day-first
expect answer recorded
12:02Z expect TB260703/CBC within-limits measured=242m unknown=0m
