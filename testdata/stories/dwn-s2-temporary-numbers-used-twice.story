# DWN-S2 Temporary numbers used twice
# common practice, no source
story "two wards begin at DT-001"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
scheme TB pattern=TB26####
scheme DT pattern=DT-### ward=yes
scheme BG names=carrier pattern=BG-##
place WARD-N kind=ward      assumed=20..24C
place WARD-S kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C relabel=yes
08:02Z collect DT-001 type=EDTA patient=P-7201 by=mira at=WARD-N how=paper sent=10:00Z
expect answer recorded
08:04Z collect DT-001 type=EDTA patient=P-7301 by=oskar at=WARD-S how=paper sent=10:01Z
expect answer recorded
expect "WARD-N/DT-001" facts Collected=1
expect "WARD-S/DT-001" facts Collected=1
expect "WARD-N/DT-001" doubt none
10:05Z pack DT-001 ward=WARD-N in=BG-41 by=lena at=LAB on=H-01
10:06Z pack DT-001 ward=WARD-S in=BG-41 by=lena at=LAB on=H-01
expect carrier BG-41 holds 2
# the scan asks which; nothing is taken by elimination
10:10Z receive DT-001 by=lena at=LAB on=H-01
expect answer refused second-identifier-wanted
expect count Received=0
10:11Z receive DT-001 ward=WARD-S by=lena at=LAB on=H-01
expect answer recorded
expect "WARD-S/DT-001" holder LAB
# the number as the screens show it names the tube by itself
10:12Z receive "WARD-N/DT-001" by=lena at=LAB on=H-01
expect answer recorded
# the link to a real number is a fact with its author
10:20Z relabel "WARD-N/DT-001" as=TB260118 by=lena with=mira at=LAB on=H-01 reason=temporary-number
expect answer recorded
expect TB260118 facts SameMaterialAs=1
expect "WARD-S/DT-001" facts Received=1
