"""All frames of all shots: unattended, in several processes, resumable.

====================  ==============================================================================
`work`                a shot made ready: its composition, frames and deliver nodes
`checking`            the check of a whole sequence, and of single frames
`fingerprint`         what a frame's files depend on: nodes, inputs, program
`ledger`              what is known of every frame that was delivered, on disk
`lock`                one batch at a time on one ledger
`due`                 which frames are to be rendered, and why
`renderer`            frames of one shot, in this process
`record`              what became of a frame
`worker`              a process that renders
`pool`                the processes: they get frames, are watched, and are replaced
`cluster`             the same on other machines
`memory`              what a worker needs, and how many fit
`planned_deliveries`  movies and sheets that will be made, and what is wrong with them
`made_deliveries`     movies and sheets
`run`                 a batch from start to end
`watch`               what it says, and what became of it
====================  ==============================================================================
"""
