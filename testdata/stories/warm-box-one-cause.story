# One warm box: its tubes' flags come from it, in whatever order they are found out, and
# each keeps saying so after it was taken out. Common practice, no source (grouping of
# alarms by cause: ANSI/ISA-18.2, EEMUA 191 on floods).
story "one warm box is one cause"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
carrier B-7 kind=box
carrier B-8 kind=box
logger LG-7 every=5m in=B-7
logger LG-8 every=5m in=B-8
request R-1 patient=P-7001 tube=TB260701,TB260702,TB260703 type=LIHEP-GEL tests=K
08:00Z collect TB260701 TB260702 TB260703 by=mira at=WARD-N on=H-09
08:01Z pack TB260701 TB260702 in=B-7 by=mira at=WARD-N on=H-09
08:01Z pack TB260703 in=B-8 by=mira at=WARD-N on=H-09
08:00Z reading LG-7 08:00Z..08:20Z c=21.0
08:00Z reading LG-8 08:00Z..09:00Z c=21.0
08:25Z reading LG-7 08:25Z..09:00Z c=33.0
08:40Z expect TB260701 flag ask-new-sample reason=heat cause=B-7
08:40Z expect TB260702 flag ask-new-sample reason=heat cause=B-7
08:40Z expect TB260703 flag none
09:05Z receive B-7 from=oskar by=lena at=LAB on=H-01
09:06Z unpack TB260701 in=B-7 by=lena at=LAB on=H-01
09:07Z expect TB260701 flag ask-new-sample cause=B-7
09:07Z expect TB260701 facts FlagRaised=1
