# EVT-S1 Same message id, different content
# Measured; https://github.com/Cotal-AI/Cotal/issues/673
story "one scan id, two stories"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260430 type=LIHEP-GEL tests=K
request R-2 patient=P-7001 tube=TB260431 type=EDTA tests=CBC
09:30Z collect TB260430 TB260431 by=mira at=WARD-N on=H-09
10:00Z see TB260430 by=lena at=LAB on=H-01 id=x-1
expect answer recorded
10:01Z discard TB260430 by=lena at=LAB on=H-01 id=x-1 reason=leak
expect answer id-conflict
expect TB260430 facts Disposed=0
expect TB260430 facts Seen=1
# the id is told apart by tube
10:02Z see TB260431 by=lena at=LAB on=H-01 id=x-1
expect answer recorded
expect count Seen=2
