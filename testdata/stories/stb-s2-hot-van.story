# STB-S2 Hot van inside the time limit
# Seamark 1999, https://pmc.ncbi.nlm.nih.gov/articles/PMC1297284
story "a hot van, with time to spare"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-3 kind=box
logger LG-1 every=5m in=B-3
request R-1 patient=P-7001 tube=TB260302 type=LIHEP-GEL tests=K
08:00Z collect TB260302 by=mira at=WARD-N on=H-09
08:00Z pack TB260302 in=B-3 by=mira at=WARD-N on=H-09
08:00Z reading LG-1 08:00Z..08:20Z c=22.0
08:15Z take B-3 from=mira by=oskar at=VAN on=H-07
08:20Z expect TB260302/K within-limits reason=none used=20m above=0m
# the sun on the box: two readings in the heat are needed before it is believed
08:20:01Z reading LG-1 08:20:01Z..09:50Z c=31.0
09:50Z receive TB260302 by=lena at=LAB on=H-01
09:50Z expect TB260302/K past-limit reason=heat direction=low limit=240m unknown=0m
09:50Z expect TB260302 flag ask-new-sample kind=before reason=heat
09:50Z expect TB260302 rack nothing-left
09:50Z expect TB260302 facts FlagRaised=1
