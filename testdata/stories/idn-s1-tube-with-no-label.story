# IDN-S1 Tube with no label
# Specimen labeling errors, Q-Probes, Arch Pathol Lab Med 2008;132:1617, https://doi.org/10.5858/2008-132-1617-SLEAQA
story "one without a label, one still missing"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place LAB-2  kind=reception assumed=20..24C relabel=yes
carrier BG-41 kind=bag
request R-1 patient=P-7001 tube=TB260101,TB260102,TB260103 type=EDTA tests=CBC
08:00Z collect TB260101 TB260102 TB260103 by=mira at=WARD-N on=H-09
08:05Z pack TB260101 TB260102 TB260103 in=BG-41 by=mira at=WARD-N on=H-09
08:10Z take BG-41 from=mira by=oskar at=VAN on=H-07
09:00Z receive BG-41 by=lena at=LAB on=H-01
09:02Z receive TB260101 TB260102 in=BG-41 by=lena at=LAB on=H-01
09:03Z receive as=DT-001 type=EDTA by=lena at=LAB on=H-01
expect answer recorded
09:04Z empty BG-41 by=lena at=LAB on=H-01
# it is not taken for the one that is missing
09:04Z expect TB260103 doubt missing
09:04Z expect DT-001 doubt unlabelled
# where the laboratory doesn't allow it, no number is given afterwards
09:10Z relabel DT-001 as=TB260104 by=lena with=oskar at=LAB on=H-01 reason=seen-drawn
expect answer refused not-allowed
# where it does, two persons and a reason are wanted
09:12Z relabel DT-001 as=TB260104 by=lena at=LAB-2 on=H-02 reason=seen-drawn
expect answer refused not-allowed
09:13Z relabel DT-001 as=TB260104 by=lena with=lena at=LAB-2 on=H-02 reason=seen-drawn
expect answer refused not-allowed
09:14Z relabel DT-001 as=TB260104 by=lena with=oskar at=LAB-2 on=H-02
expect answer refused not-allowed
09:15Z relabel DT-001 as=TB260104 by=lena with=oskar at=LAB-2 on=H-02 reason=seen-drawn
expect answer recorded
09:15Z expect DT-001 doubt none
09:15Z expect TB260104 facts SameMaterialAs=1
09:15Z expect TB260103 doubt missing
