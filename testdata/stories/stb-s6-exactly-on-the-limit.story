# STB-S6 Exactly on the limit
# Convention of the owner: both ends are inside
story "one second and a tenth of a degree"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-1 kind=box
carrier B-2 kind=box
logger LG-1 every=5m in=B-1
logger LG-2 every=5m in=B-2
request R-1 patient=P-7001 tube=TB260306 type=LIHEP-GEL tests=K
request R-2 patient=P-7002 tube=TB260307 type=LIHEP-GEL tests=K
08:00Z collect TB260306 by=mira at=WARD-N on=H-09
08:00Z pack TB260306 in=B-1 by=mira at=WARD-N on=H-09
08:00Z collect TB260307 by=lena at=WARD-N on=H-07
08:00Z pack TB260307 in=B-2 by=lena at=WARD-N on=H-07
08:00Z reading LG-1 08:00Z..12:05Z c=25.0
08:00Z reading LG-2 08:00Z..08:30Z c=25.0
08:30Z expect TB260307/K within-limits above=0m
08:35Z reading LG-2 08:35Z..08:40Z c=25.1
08:40Z expect TB260307/K past-limit reason=heat direction=low
08:40Z expect TB260306/K within-limits above=0m used=40m
11:00Z expect TB260306/K within-limits reason=none used=180m
11:00Z expect TB260306 flag none
11:59:59Z expect TB260306/K within-limits used=239m59s
12:00Z expect TB260306/K within-limits used=240m limit=240m
12:00Z expect TB260306/K running-out
12:00:01Z expect TB260306/K past-limit reason=time used=240m1s
12:00:01Z expect TB260306 rack nothing-left
