# TIM-S5 Typed time that does not exist
# https://github.com/golang/go/issues/63345
story "half past two, on the night it was skipped"
rules fixture.yaml
zone Europe/Berlin
day 2026-03-29
place WARD-N kind=ward assumed=20..24C zone=Europe/Berlin
request R-1 patient=P-7001 tube=TB260206 type=LIHEP-GEL tests=K
09:00Z collect TB260206 by=mira at=WARD-N on=H-09 typed=02:30
expect answer refused no-such-time
expect TB260206 facts Collected=0
09:01Z collect TB260206 by=mira at=WARD-N on=H-09 typed="2026-03-29 02:30"
expect answer refused no-such-time
# five to eleven was there: 08:55Z
09:02Z collect TB260206 by=mira at=WARD-N on=H-09 typed=10:55
expect answer recorded
expect TB260206 facts Collected=1
