# Common practice, no source
story "an aliquot is as old as its blood"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-22 kind=box
logger LG-22 every=5m in=B-22
request R-1 patient=P-7001 tube=TB261035 type=EDTA tests=CBC
08:00Z collect TB261035 by=mira at=WARD-N on=H-09
08:00Z pack TB261035 in=B-22 by=mira at=WARD-N on=H-09
08:00Z reading LG-22 08:00Z..09:00Z c=10.0
08:10Z take B-22 from=mira by=oskar at=VAN on=H-07
09:00Z receive TB261035 from=oskar in=B-22 by=lena at=LAB on=H-01
09:30Z derive TB261036 parent=TB261035 type=EDTA tests=CBC by=lena at=LAB on=H-01
expect answer recorded
10:00Z expect TB261036/CBC within-limits used=120m from=08:00Z measured=60m assumed=60m
10:00Z expect TB261036 holder LAB
10:00Z expect TB261036 doubt none
10:00Z expect TB261036 facts DerivedFrom=1
# what happens to the parent afterwards is not the child's
10:10Z discard TB261035 by=lena at=LAB on=H-01 reason=used-up
10:10Z expect TB261036/CBC within-limits used=130m
10:10Z expect TB261036 doubt none
