# STB-S3 Chilled whole blood for potassium
# Sinclair 2003, https://pmc.ncbi.nlm.nih.gov/articles/PMC1769952
story "a tube beside the cold packs"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-4 kind=box
logger LG-2 every=5m in=B-4
request R-1 patient=P-7001 tube=TB260303 type=LIHEP-GEL tests=K
08:00Z collect TB260303 by=mira at=WARD-N on=H-09
08:00Z pack TB260303 in=B-4 by=mira at=WARD-N on=H-09
08:00Z reading LG-2 08:00Z..10:00Z c=4.0
08:10Z take B-4 from=mira by=oskar at=VAN on=H-07
10:00Z receive TB260303 by=lena at=LAB on=H-01
10:00Z expect TB260303/K past-limit reason=cold direction=high below=120m above=0m
10:00Z expect TB260303 rack nothing-left
10:00Z expect TB260303 flag ask-new-sample kind=before reason=cold
