# LOG-S4 No time zone in the file
# https://github.com/patrickvorgers/Home-Assistant-Import-Energy-Data/issues/134
story "the zone is asked, written down, and can be put right later"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward
place LAB    kind=reception
carrier B-3 kind=box
logger LG-1 every=5m in=B-3
logger LG-2 every=5m in=B-4 zone=Europe/Berlin
carrier B-4 kind=box
request R-1 patient=P-7404 tube=TB260704 type=EDTA tests=CBC
request R-2 patient=P-7405 tube=TB260705 type=EDTA tests=CBC
08:00Z collect TB260704 by=mira at=WARD-N
08:00Z pack TB260704 in=B-3 by=mira
08:00Z collect TB260705 by=mira at=WARD-N
08:00Z pack TB260705 in=B-4 by=mira
# never silently UTC
08:15Z import log-s4.csv logger=LG-1 by=lena
expect answer not-saved
08:15Z expect TB260704/CBC cannot-say measured=0m
# the other logger's record knows the zone
08:15Z import log-s4.csv logger=LG-2 by=lena
expect answer recorded
08:15Z expect TB260705/CBC within-limits measured=15m unknown=0m
# somebody says the wrong zone, takes it back and says the right one
08:16Z import log-s4.csv logger=LG-1 by=lena zone=UTC id=i-1
expect answer recorded
08:16Z expect TB260704/CBC cannot-say measured=0m
08:17Z void i-1 logger=LG-1 by=lena reason=explained
expect answer recorded
08:18Z import log-s4.csv logger=LG-1 by=lena zone=Europe/Berlin id=i-2
expect answer recorded
08:18Z expect TB260704/CBC cannot-say measured=15m unknown=3m
