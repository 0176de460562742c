# Design section 6: a hospital with no logger at all is usable on day one
# Invented scenario, no source
story "no logger anywhere"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-A kind=ward      assumed=20..24C owner=lena basis="room thermometer"
place WARD-B kind=ward      assumed=20..24C owner=lena basis="room thermometer"
place HATCH  kind=hatch     assumed=18..25C owner=lena basis="room thermometer"
place VAN    kind=vehicle   assumed=18..25C owner=oskar basis="heated and cooled van"
place LAB    kind=reception assumed=20..24C owner=lena basis="air conditioning"
place BENCH  kind=bench     assumed=20..24C bench-spin=20m owner=lena basis="air conditioning"
carrier B-1  kind=box       assumed=18..25C owner=oskar basis="foam box"
request R-1 patient=P-7001 tube=TB260801 type=LIHEP-GEL tests=K
request R-2 patient=P-7002 tube=TB260802 type=EDTA tests=CBC
# one scan at collection, one at reception
08:00Z collect TB260801 by=mira at=WARD-A on=H-09
08:50Z receive TB260801 by=lena at=LAB on=H-01
expect answer recorded
08:50Z expect TB260801/K within-limits reason=assumed-only used=50m limit=240m assumed=50m measured=0m unknown=0m
08:50Z expect TB260801 flag none
08:50Z expect TB260801 rack spin
# accepted at the bench counts as spun within 20 min: the limit ends there
09:00Z accept TB260801 by=lena at=BENCH on=H-01
expect answer recorded
14:00Z expect TB260801/K within-limits
14:00Z expect TB260801 flag none
# by box and van
08:10Z collect TB260802 by=mira at=WARD-B on=H-09
08:12Z pack TB260802 in=B-1 by=mira at=WARD-B on=H-09
08:20Z take B-1 from=mira by=oskar at=VAN on=H-07
09:10Z receive TB260802 by=lena at=LAB on=H-01
09:10Z expect TB260802/CBC within-limits reason=assumed-only used=60m assumed=60m unknown=0m
09:10Z expect TB260802 flag none
