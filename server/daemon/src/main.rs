fn main() -> std::process::ExitCode {
    ventmile::cli::run()
}
