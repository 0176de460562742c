# STB-S7 Temperature unknown for part of the trip
# Common practice, no source
story "the logger stopped on the way"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
# nothing is declared for the ward, the van or the box, so a silent logger leaves minutes unknown
place WARD-N kind=ward
place VAN    kind=vehicle
place LAB    kind=reception
carrier B-3 kind=box
logger LG-1 every=5m hold=0m in=B-3
request R-1 patient=P-7001 tube=TB260308 type=LIHEP-GEL tests=K
08:00Z collect TB260308 by=mira at=WARD-N on=H-09
08:00Z pack TB260308 in=B-3 by=mira at=WARD-N on=H-09
08:00Z reading LG-1 08:00Z..09:50Z c=21.0
08:10Z take B-3 from=mira by=oskar at=VAN on=H-07
09:50Z expect TB260308/K within-limits measured=110m unknown=0m
11:00Z receive TB260308 by=lena at=LAB on=H-01
11:00Z expect TB260308/K cannot-say reason=no-temperature measured=110m unknown=70m
# the rack never stops for cannot say
11:00Z expect TB260308 rack spin
11:01Z rack TB260308 in=R-2 by=lena at=LAB on=H-01
expect answer recorded
