from verifier.commands.main import main

if __name__ == "__main__":
    main()
